"""The truth of distances, offsets and areas between places marked on a sheet by dots or corners."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.virtual.sheets import Sheet
from fringewise.virtual.sizes import (
    enclosed_area,
    length_and_width,
    length_of,
    mean_normal,
    points_on,
    shortest_length,
)
from fringewise.virtual.truth import Marks, Truth
from fringewise.virtual.view import View

_STEPS_A_SIDE: Final = 256


def distance_truth(sheet: Sheet, ends_st: Array, name: str, patch: str, drawn_as: str) -> Truth:
    """Truth of a distance between two places (2, 2): straight, and the shortest on the surface."""
    ends = points_on(sheet, ends_st)
    quantities = {
        "straight": float(np.linalg.norm(ends[1] - ends[0])),
        "along_surface": shortest_length(sheet, ends_st),
    }
    return Truth(name, "distance", f"distance {drawn_as}", quantities, (Marks("ends", patch, ends_st),))


def offset_truth(
    sheet: Sheet, line_st: Array, point_st: Array, name: str, *, patch: str, drawn_as: str
) -> Truth:
    """Truth of the perpendicular distance of a place (1, 2) from the endless line through two (2, 2)."""
    line, point = points_on(sheet, line_st), points_on(sheet, point_st)[0]
    along = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    arm = point - line[0]
    marks = (Marks("line", patch, line_st), Marks("point", patch, point_st))
    offset = float(np.linalg.norm(arm - (arm @ along) * along))
    return Truth(name, "offset", f"offset {drawn_as}", {"offset": offset}, marks)


def area_truth(view: View, corners_st: Array, name: str, patch: str, drawn_as: str) -> Truth:
    """Truth of the area inside corners (n, 2), joined by lines that are straight in the undistorted image."""
    sheet = view.sheet
    sides = view.lines_seen_straight(corners_st, _STEPS_A_SIDE)
    boundary = np.concatenate([side[:-1] for side in sides])
    points = points_on(sheet, boundary)
    corner_points = points_on(sheet, corners_st)
    length, width = length_and_width(_thinned(points, corner_points), mean_normal(sheet, boundary))
    quantities = {
        "area": enclosed_area(sheet, boundary),
        "perimeter": float(sum(length_of(points_on(sheet, side)) for side in sides)),
        "length": length,
        "width": width,
    }
    return Truth(name, "area", f"area {drawn_as}", quantities, (Marks("outline", patch, corners_st),))


def _thinned(points: Array, corners: Array, most: int = 600) -> Array:
    # enough boundary points for the pairwise distances, the corners always among them
    return np.concatenate([corners, points[:: max(len(points) // most, 1)]])
