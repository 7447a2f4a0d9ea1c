"""From a capture, or a surface made elsewhere, and what a person marked to measured sizes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.capture.capture import Capture
from fringewise.core.progress import Progress, Silent, steps
from fringewise.equipment.validity import stands_against
from fringewise.findings.documents import refuse_marks_outside
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Look
from fringewise.findings.registry import measure_finding
from fringewise.findings.result_documents import CaptureSummary
from fringewise.sound.points import pixel_rays
from fringewise.surface.surface import Surface
from fringewise.workflow.surfaces import make_surface

_SILENT: Final = Silent()
_NEAR_MARKS_PX: Final = 10


@dataclass(frozen=True, slots=True)
class Measurement:
    """A surface, the results on it in the order of the findings, and what they say about their capture."""

    surface: Surface
    results: tuple[FindingResult, ...]
    summary: CaptureSummary


def measure(
    look: Capture | Surface,
    findings: Sequence[Finding],
    *,
    where: str = "findings",
    seed: int = 0,
    draws: int | None = None,
    progress: Progress = _SILENT,
) -> Measurement:
    """Measure findings on a capture, or on a surface that is there already.

    Parameters
    ----------
    look : Capture or Surface
    findings : sequence of Finding
    where : str
        What the findings are called in messages, such as their file.
    seed : int
        Of the draws: the same seed gives the same numbers.
    draws : int, optional
        How many for each size; 0 for the linear route alone, as pictures need it; as usual by default.
    progress : Progress

    Raises
    ------
    InputRefused
        A mark lies outside the photo; every such mark is named.
    NotMeasurable
        No surface can be made of the capture at all.
    """
    shape = look.shape if isinstance(look, Surface) else photo_shape(look)
    refuse_marks_outside(findings, shape, where)
    surface = look if isinstance(look, Surface) else make_surface(look, progress)
    rays = pixel_rays(surface)
    results = []
    for number, finding in enumerate(steps(findings, "measuring", progress, len(findings))):
        rng = np.random.default_rng(
            [seed, number]
        )  # so that a finding's numbers don't hang on its neighbours
        at = Look(surface, rays, rng) if draws is None else Look(surface, rays, rng, draws=draws)
        results.append(measure_finding(at, finding))
    sha256, taken = (look.sha256, look.captured_at.isoformat()) if isinstance(look, Capture) else ("", "")
    summary = summarise(surface, findings, sha256, taken)
    if isinstance(look, Capture):
        summary = replace(summary, stands_against=_stands_against(look, summary.standoff_mm))
    return Measurement(surface, tuple(results), summary)


def summarise(
    surface: Surface, findings: Sequence[Finding], sha256: str = "", captured_at: str = ""
) -> CaptureSummary:
    """Say which capture was measured and how it stood: stand-off is where the findings are (format 5)."""
    depth = surface.xyz_mm[..., 2]
    used = surface.usable & _near_findings(findings, surface.shape)
    if not used.any():
        used = surface.usable
    standoff = float(np.median(depth[used])) if used.any() else None
    head = surface.head.serial if surface.head is not None else ""
    return CaptureSummary(sha256, head, surface.valid_fraction, standoff, captured_at)


def photo_shape(capture: Capture) -> tuple[int, int]:
    """Give the (height, width) of the grid that marks are placed on; zeros where there are no pictures."""
    if capture.photo is not None:
        return capture.photo.shape[0], capture.photo.shape[1]
    frames = capture.sets[0].frames if capture.sets else None
    return (frames.shape[1], frames.shape[2]) if frames is not None else (0, 0)


def _stands_against(look: Capture, standoff_mm: float | None) -> tuple[str, ...]:
    """What stood against the head when the capture was taken; verifications are the record's to ask for."""
    if look.head is None:
        return ("the head is not known",)
    reach = None if standoff_mm is None else (standoff_mm, standoff_mm)
    return stands_against(look.head, look.captured_at, probe=look.probe, range_mm=reach)


def _near_findings(findings: Sequence[Finding], shape: tuple[int, int]) -> npt.NDArray[np.bool_]:
    """Pixels inside a finding's marks or close to them."""
    near = np.zeros(shape, dtype=np.uint8)
    for finding in findings:
        for name, marks in finding.marks.items():
            points = np.round(marks).astype(np.int32)
            if name == "outline_px" and len(points) > 2:
                cv2.fillPoly(near, [points], 1)
            for u, v in points:
                cv2.circle(near, (int(u), int(v)), _NEAR_MARKS_PX, 1, -1)
    return near > 0
