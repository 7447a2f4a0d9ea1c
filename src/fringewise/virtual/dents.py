"""The truth of dents: depth, contour at a tenth of it, area, volume, raised metal."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.virtual.reliefs import Dent, Relief
from fringewise.virtual.sheets import Sheet
from fringewise.virtual.sizes import (
    enclosed_area,
    frame_on,
    integral_about,
    length_and_width,
    mean_normal,
)
from fringewise.virtual.truth import Marks, Truth

CONTOUR_SHARE: Final = 0.1
"""The contour lies where the surface is this share of the depth below the restored surface."""

_DIRECTIONS: Final = 1440
_LEAST_RAISED_MM: Final = 1e-6


def dent_truth(sheet: Sheet, dent: Dent, name: str, patch: str, outline_st: Array) -> Truth:
    """Truth of a dent after format 3.

    A point displaced by h along the normal has its nearest point of the undamaged sheet at its own foot, at
    the distance |h| (h is far smaller than any radius of curvature). So the depth is the greatest −h and the
    contour is h = −depth/10. The contour's points are taken on the surface as it is.

    Parameters
    ----------
    outline_st : (n, 2) array
        Marks on sound metal round the dent; all of it must lie inside, so that the volume does not depend
        on them.
    """
    depth, deepest = greatest_depth(dent)
    contour = contour_st(dent, deepest, CONTOUR_SHARE * depth)
    first, normals = frame_on(sheet, contour)
    surface = first.x + dent.height(contour[:, 0], contour[:, 1]).h[:, None] * normals
    length, width = length_and_width(surface, mean_normal(sheet, contour))
    rim = dent.ellipse(1.0, np.linspace(0.0, 2 * np.pi, 512, endpoint=False))
    quantities = {
        "depth": depth,
        "length": length,
        "width": width,
        "area": enclosed_area(sheet, contour),
        "volume": -integral_about(sheet, dent.center_st, rim, lambda s, t: dent.height(s, t).h),
    }
    raised = greatest_height(dent)
    if raised > _LEAST_RAISED_MM:
        quantities["raised"] = raised
    family = f"dent {type(dent.profile).__name__}"
    return Truth(name, "dent", family, quantities, (Marks("outline", patch, outline_st),))


def greatest_depth(relief: Relief) -> tuple[float, tuple[float, float]]:
    """Greatest −h (mm) and where it lies in (s, t), by a grid that closes in on it."""
    value, place = _greatest(relief, -1.0)
    return value, place


def greatest_height(relief: Relief) -> float:
    """Greatest +h (mm); 0 where nothing is thrown up."""
    return max(_greatest(relief, 1.0)[0], 0.0)


def contour_st(dent: Dent, deepest_st: tuple[float, float], level_mm: float) -> Array:
    """Outermost contour h = −level round the deepest place, rows of (s, t) at even directions."""
    angles = np.linspace(0.0, 2 * np.pi, _DIRECTIONS, endpoint=False)
    ways = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    box = dent.box
    far = float(np.hypot(box.s_high - box.s_low, box.t_high - box.t_low))
    trial = np.linspace(0.0, far, 300)
    deep = np.stack([_depth_at(dent, deepest_st, ways, np.full(_DIRECTIONS, r)) > level_mm for r in trial])
    last = len(trial) - 1 - np.argmax(deep[::-1], axis=0)
    inside, outside = trial[last], trial[np.minimum(last + 1, len(trial) - 1)]
    for _ in range(45):
        middle = (inside + outside) / 2
        below = _depth_at(dent, deepest_st, ways, middle) > level_mm
        inside, outside = np.where(below, middle, inside), np.where(below, outside, middle)
    return np.asarray(np.asarray(deepest_st) + ways * inside[:, None])


def _depth_at(dent: Dent, start: tuple[float, float], ways: Array, radius: Array) -> Array:
    at = np.asarray(start) + ways * radius[:, None]
    return -dent.height(at[:, 0], at[:, 1]).h


def _greatest(relief: Relief, sign: float) -> tuple[float, tuple[float, float]]:
    box = relief.box
    middle = np.array([(box.s_low + box.s_high) / 2, (box.t_low + box.t_high) / 2])
    half = np.array([(box.s_high - box.s_low) / 2, (box.t_high - box.t_low) / 2])
    best, place = -np.inf, middle
    for count in (301, 61, 61, 61, 61):
        s, t = np.meshgrid(
            *(np.linspace(m - d, m + d, count) for m, d in zip(middle, half, strict=True)), indexing="ij"
        )
        values = sign * relief.height(s.ravel(), t.ravel()).h
        at = int(np.argmax(values))
        if values[at] >= best:
            best, place = float(values[at]), np.array([s.ravel()[at], t.ravel()[at]])
        middle, half = place, half * (4.0 / count)
    return best, (float(place[0]), float(place[1]))
