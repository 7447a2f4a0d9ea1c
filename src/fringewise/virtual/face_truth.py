"""The truth of gouges, cracks, paths, holes and steps."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.virtual.cuts import Hole
from fringewise.virtual.dents import greatest_depth, greatest_height
from fringewise.virtual.grooves import Groove, Ledge
from fringewise.virtual.patch import BoolArray
from fringewise.virtual.sheets import Sheet
from fringewise.virtual.sizes import (
    enclosed_area,
    length_and_width,
    length_of,
    mean_normal,
    points_on,
)
from fringewise.virtual.truth import Marks, Truth, equivalent_diameter
from fringewise.virtual.view import View
from fringewise.virtual.wander import Wander

_STEPS: Final = 256
_LEAST_RAISED_MM: Final = 1e-6


def gouge_truth(view: View, groove: Groove, name: str, patch: str, path_st: Array) -> Truth:
    """Truth of a gouge; the path is the line through its marks, straight in the undistorted image between."""
    quantities = {"depth": greatest_depth(groove)[0], "length": seen_path_length(view, path_st)}
    raised = greatest_height(groove)
    if raised > _LEAST_RAISED_MM:
        quantities["raised"] = raised
    return Truth(name, "gouge", "gouge Groove", quantities, (Marks("path", patch, path_st),))


def crack_truth(sheet: Sheet, line: Wander, name: str, patch: str, marks: int) -> Truth:
    """Truth of a crack: arc length on the surface of the crack itself, and straight from end to end.

    The marks are `marks` places on it, its ends first and last.
    """
    points = points_on(sheet, line.points(np.linspace(0.0, line.length_mm, 4001)))
    quantities = {
        "length": length_of(points),
        "end_to_end": float(np.linalg.norm(points[-1] - points[0])),
    }
    path = line.points(np.linspace(0.0, line.length_mm, marks))
    return Truth(name, "crack", "crack CrackLine", quantities, (Marks("path", patch, path),))


def path_truth(view: View, path_st: Array, name: str, patch: str, drawn_as: str) -> Truth:
    """Truth of a path along a feature: its marks' line on the surface, and straight from end to end."""
    ends = points_on(view.sheet, path_st[[0, -1]])
    quantities = {
        "length": seen_path_length(view, path_st),
        "end_to_end": float(np.linalg.norm(ends[1] - ends[0])),
    }
    return Truth(name, "path", f"path {drawn_as}", quantities, (Marks("path", patch, path_st),))


def hole_truth(sheet: Sheet, hole: Hole, name: str, patch: str, outline_st: Array) -> Truth:
    """Truth of a hole: area on the restored sheet, its circle's diameter, greatest length and the width."""
    rim = hole.rim_st(2880)
    length, width = length_and_width(points_on(sheet, rim[::2]), mean_normal(sheet, rim))
    area = enclosed_area(sheet, rim)
    quantities = {
        "area": area,
        "equivalent_diameter": equivalent_diameter(area),
        "length": length,
        "width": width,
    }
    return Truth(name, "hole", "hole", quantities, (Marks("outline", patch, outline_st),))


def step_truth(ledge: Ledge, name: str, patch: str, lower_st: Array, upper_st: Array) -> Truth:
    """Truth of a step on a plane, between two patches clear of its wall.

    One normal and two offsets are fitted to even points inside both patches; without tilt the step is the
    ledge's own height.
    """
    clouds = [_even_points(ledge, patch_st) for patch_st in (lower_st, upper_st)]
    middles = [cloud.mean(axis=0) for cloud in clouds]
    joined = np.concatenate([cloud - middle for cloud, middle in zip(clouds, middles, strict=True)])
    normal = _least_direction(joined)
    low, high = (_least_direction(cloud - middle) for cloud, middle in zip(clouds, middles, strict=True))
    quantities = {
        "step": float((middles[1] - middles[0]) @ normal),
        "tilt_deg": math.degrees(math.atan2(float(np.linalg.norm(np.cross(low, high))), float(low @ high))),
    }
    marks = (Marks("lower", patch, lower_st), Marks("upper", patch, upper_st))
    return Truth(name, "step", "step Ledge", quantities, marks)


def seen_path_length(view: View, path_st: Array) -> float:
    """Length on the surface of marks joined by lines that are straight in the undistorted image, mm."""
    sides = view.lines_seen_straight(path_st, _STEPS, closed=False)
    return float(sum(length_of(points_on(view.sheet, side)) for side in sides))


def _even_points(ledge: Ledge, outline_st: Array) -> Array:
    low, high = outline_st.min(axis=0), outline_st.max(axis=0)
    s, t = (a.ravel() for a in np.meshgrid(*(np.linspace(m, n, 161) for m, n in zip(low, high, strict=True))))
    inside = _inside(outline_st, s, t)
    return np.stack([s[inside], t[inside], ledge.height(s[inside], t[inside]).h], axis=-1)


def _inside(outline_st: Array, s: Array, t: Array) -> BoolArray:
    # even-odd rule: a ray towards +s crosses the outline an odd number of times
    crossed = np.zeros(len(s), dtype=np.bool_)
    for (s0, t0), (s1, t1) in zip(outline_st, np.roll(outline_st, -1, axis=0), strict=True):
        spans = (t0 > t) != (t1 > t)
        reach = s0 + (t - t0) * (s1 - s0) / np.where(t1 == t0, np.inf, t1 - t0)
        crossed ^= spans & (s < reach)
    return crossed


def _least_direction(centred: Array) -> Array:
    _, vectors = np.linalg.eigh(centred.T @ centred)
    least = vectors[:, 0]
    return np.asarray(least if least[2] > 0 else -least)
