"""What to expect of a finding like one that was measured, from its own capture's fringes and light."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.expect.expectation import Expected, expect, light_of
from fringewise.expect.scenes import EXPECTABLE
from fringewise.expect.stand_in import Light, Place
from fringewise.findings.finding import FindingResult
from fringewise.surface.surface import Surface

_OUTLINE_TO_EXTENT: Final = 1 / 0.74
"""A dent's outline is set on sound metal, so much farther out than its own half-width."""


def expect_like(
    result: FindingResult, surface: Surface, *, standoff_mm: float | None = None, light: Light | None = None
) -> Expected | None:
    """Say what uncertainty to expect of a size like a measured one, there or at another stand-off.

    Size, extent and whether the marks were drawn to dots are those of the result; fringes, shifts and median
    modulation are the capture's. None for a kind that can't be expected or that was not measured.

    Parameters
    ----------
    result : FindingResult
    surface : Surface
        Of the capture that it was measured on.
    standoff_mm : float, optional
        Of the finding itself where absent.
    light : Light, optional
        Of the capture where absent.
    """
    row = EXPECTABLE.get(result.finding.kind)
    head = surface.head
    if row is None or head is None or result.reason:
        return None
    found = {one.name: one for one in result.quantities}.get(row.quantity)
    points = _points_at_marks(result, surface)
    if found is None or points is None:
        return None
    size = max(abs(found.value), 1e-3)
    here = float(np.median(points[:, 2]))
    drawn = bool(result.drawing.drawn) and all(one.sigma_px < _PLAIN_PX for one in result.drawing.drawn)
    return expect(
        head,
        result.finding.kind,
        size,
        here if standoff_mm is None else standoff_mm,
        light=light or light_of(surface),
        extent_mm=_extent(result.finding.kind, points, size, here),
        place=_place(result, surface, points),
        on_dots=drawn,
        placing_px=result.finding.placing_px,
    )


_ENOUGH_FOR_PLANE: Final = 30
_ROUND_PX: Final = 15
_EVERY: Final = 4

_PLAIN_PX: Final = 0.3
"""A mark with less scatter than this was drawn to a feature."""


def _place(result: FindingResult, surface: Surface, points: Array) -> Place | None:
    """How the metal under the marks stands: the plane of its points, and the marks' main direction on it."""
    pixels = np.vstack(list(result.finding.marks.values()))
    low = np.maximum(np.floor(pixels.min(axis=0)).astype(int) - _ROUND_PX, 0)
    high = np.ceil(pixels.max(axis=0)).astype(int) + _ROUND_PX
    cut = slice(low[1], high[1], _EVERY), slice(low[0], high[0], _EVERY)
    metal = surface.xyz_mm[cut][surface.usable[cut]].astype(np.float64)
    if len(metal) < _ENOUGH_FOR_PLANE:
        return None
    away: Array = np.linalg.svd(metal - metal.mean(axis=0), full_matrices=False)[2][2]
    away = away if away[2] > 0 else -away
    along = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
    first = along - (along @ away) * away
    return Place(points.mean(axis=0), first / np.linalg.norm(first), away)


def _extent(kind: str, points: Array, size: float, standoff_mm: float) -> float:
    span = float(np.linalg.norm(np.ptp(points, axis=0)))
    across = float(np.median(np.linalg.norm(points - points.mean(axis=0), axis=1)))
    if kind == "dent":
        return across * _OUTLINE_TO_EXTENT
    if kind == "gouge":
        return span
    if kind == "flat":
        return across * float(np.sqrt(2))
    return EXPECTABLE[kind].extent(size, standoff_mm)


def _points_at_marks(result: FindingResult, surface: Surface) -> Array | None:
    """Points (N, 3) of the pixels that the marks lie on; None where hardly any has one."""
    pixels = np.round(np.vstack(list(result.finding.marks.values()))).astype(np.intp)
    height, width = surface.shape
    u, v = np.clip(pixels[:, 0], 0, width - 1), np.clip(pixels[:, 1], 0, height - 1)
    points = surface.xyz_mm[v, u].astype(np.float64)
    points = points[np.isfinite(points[:, 2])]
    return points if len(points) else None
