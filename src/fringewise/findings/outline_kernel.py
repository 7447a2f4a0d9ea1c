"""Area, perimeter, length and width of many placings of one outline on one smooth surface, in a kernel."""

from __future__ import annotations

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.kernels import kernel


@kernel()
def sizes_over_placings(
    marks: Array,
    corner: Array,
    step: Array,
    inverse_depth: Array,
    area_before: Array,
    normal: Array,
    side_points: int,
    sizes: Array,
) -> None:
    """Fill `sizes` (D, 4) with area, perimeter, length and width of each placing.

    Parameters
    ----------
    marks : (D, N, 2)
        Ray directions of the outline's marks.
    corner, step : (2,)
        First node of both tables and the step between nodes, in x and y.
    inverse_depth : (T, T)
        Of the surface, 1/mm.
    area_before : (T, T)
        Area on the surface for a unit of dy, from the table's first x up to the node's; the area inside is
        its integral dy round the outline.
    normal : (3,)
        Across which the width is taken.
    side_points : int
        Points for each side of the outline.
    """
    count = marks.shape[1] * side_points
    line = np.empty((3, count))
    before = np.empty(count)
    for draw in range(len(marks)):
        _lay(marks[draw], corner, step, inverse_depth, area_before, side_points, line, before)
        sizes[draw, 0] = _inside(marks[draw], side_points, before)
        sizes[draw, 1] = _around(line)
        _extents(line, side_points, normal, sizes[draw])


@kernel()
def _lay(
    marks: Array,
    corner: Array,
    step: Array,
    inverse_depth: Array,
    area_before: Array,
    side_points: int,
    line: Array,
    before: Array,
) -> None:
    """Points of the outline on the surface, and the area's integrand there."""
    last = len(inverse_depth) - 2
    for n in range(len(marks)):
        after = (n + 1) % len(marks)
        for k in range(side_points):
            share = k / side_points
            x = marks[n, 0] * (1 - share) + marks[after, 0] * share
            y = marks[n, 1] * (1 - share) + marks[after, 1] * share
            a, b = (x - corner[0]) / step[0], (y - corner[1]) / step[1]
            i, j = min(max(int(a), 0), last), min(max(int(b), 0), last)
            w = _between(inverse_depth, i, j, a - i, b - j)
            at = n * side_points + k
            line[0, at], line[1, at], line[2, at] = x / w, y / w, 1 / w
            before[at] = _between(area_before, i, j, a - i, b - j)


@kernel()
def _between(table: Array, i: int, j: int, a: float, b: float) -> float:
    upper = table[i, j] * (1 - a) + table[i + 1, j] * a
    lower = table[i, j + 1] * (1 - a) + table[i + 1, j + 1] * a
    return float(upper * (1 - b) + lower * b)


@kernel()
def _inside(marks: Array, side_points: int, before: Array) -> float:
    """Integral of the integrand dy round the outline; straight sides, trapezoids."""
    total, count = 0.0, len(before)
    for n in range(len(marks)):
        rise = (marks[(n + 1) % len(marks), 1] - marks[n, 1]) / side_points
        for k in range(side_points):
            at = n * side_points + k
            total += rise * (before[at] + before[(at + 1) % count]) / 2
    return abs(total)


@kernel()
def _around(line: Array) -> float:
    total, count = 0.0, line.shape[1]
    for a in range(count):
        b = (a + 1) % count
        apart = (line[0, a] - line[0, b]) ** 2
        apart += (line[1, a] - line[1, b]) ** 2
        apart += (line[2, a] - line[2, b]) ** 2
        total += np.sqrt(apart)
    return float(total)


@kernel()
def _extents(line: Array, side_points: int, normal: Array, sizes: Array) -> None:
    """Greatest distance between two marks, and the outline's extent square to it."""
    count = line.shape[1]
    most, first, second = -1.0, 0, 0
    for a in range(0, count, side_points):
        for b in range(0, a, side_points):
            apart = (line[0, a] - line[0, b]) ** 2
            apart += (line[1, a] - line[1, b]) ** 2
            apart += (line[2, a] - line[2, b]) ** 2
            if apart > most:
                most, first, second = apart, a, b
    along = line[:, second] - line[:, first]
    across_x = normal[1] * along[2] - normal[2] * along[1]
    across_y = normal[2] * along[0] - normal[0] * along[2]
    across_z = normal[0] * along[1] - normal[1] * along[0]
    size = np.sqrt(across_x**2 + across_y**2 + across_z**2)
    low, high = np.inf, -np.inf
    for a in range(count):
        side = (line[0, a] * across_x + line[1, a] * across_y + line[2, a] * across_z) / size
        low, high = min(low, side), max(high, side)
    sizes[2] = np.sqrt(most)
    sizes[3] = high - low
