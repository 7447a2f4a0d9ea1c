"""Draws a report's pictures, as the use case asks for them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from fringewise.core.units import LengthUnit
from fringewise.findings.finding import FindingResult
from fringewise.render.damage_map import damage_map_svg
from fringewise.render.report_figures import finding_figure, space_figure
from fringewise.render.words import kind_words, main_words
from fringewise.render.writing import png_of
from fringewise.report.damage_map import DamageMap
from fringewise.surface.surface import Surface
from fringewise.workflow.ports import Drawn

_FIELDS_SHARE: Final = 0.68
_SPACE_SHARE: Final = 0.5
_PHOTO_SHARE: Final = 0.7
_MOST_PHOTO_PX: Final = 1600
_RING: Final = (0xE3, 0xE1, 0x6F)  # the accent on photos, blue first


class ReportArtist:
    """Draws with matplotlib on white paper, and photos as they are."""

    def finding(self, surface: Surface, result: FindingResult, unit: LengthUnit) -> Sequence[Drawn]:
        """Draw a finding's fields and, where enough of it was seen, the damage in space."""
        quantity, value = main_words(result, unit)
        what = f"{kind_words(result.finding)} {result.finding.identity}"
        alt = f"{what}: photo with marks, deviation from the restored metal and section; {quantity} {value}"
        drawn = [Drawn("fields.png", png_of(finding_figure(surface, result, unit)), alt, _FIELDS_SHARE)]
        space = None if result.reason else space_figure(surface, result, unit)
        if space is not None:
            words = f"{what} in space, turned from the probe's view, heights exaggerated"
            drawn.append(Drawn("space.png", png_of(space), words, _SPACE_SHARE))
        return drawn

    def photo(self, content: bytes, result: FindingResult) -> Sequence[Drawn]:
        """Draw a plain photo with rings where marks were set."""
        photo = cv2.imdecode(np.frombuffer(content, dtype=np.uint8), cv2.IMREAD_COLOR)
        if photo is None:
            return []
        scale = min(1.0, _MOST_PHOTO_PX / max(photo.shape[:2]))
        small = cv2.resize(photo, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        for points in result.finding.marks.values():
            for u, v in np.round(points * scale).astype(int):
                cv2.circle(small, (int(u), int(v)), 7, (30, 30, 30), 3, cv2.LINE_AA)
                cv2.circle(small, (int(u), int(v)), 7, _RING, 1, cv2.LINE_AA)
        done, coded = cv2.imencode(".png", small)
        alt = f"photo of {kind_words(result.finding)} {result.finding.identity} with its marks"
        return [Drawn("photo.png", coded.tobytes(), alt, _PHOTO_SHARE)] if done else []

    def damage_map(self, found: DamageMap) -> Drawn:
        """Draw a stage's damage map."""
        count = len(found.marks)
        alt = f"damage map of stage {found.stage}: {count} finding{'s' if count != 1 else ''} by zone"
        key = "".join(letter if letter.isalnum() else "-" for letter in found.stage)
        return Drawn(f"map-{key}.svg", damage_map_svg(found), alt, 0.95)
