"""The contour of a relief at a level: where it runs, and the length, width and area inside it.

Worked out on an even grid of ray directions, where the smooth relief is a product of two small matrices, so
that it can be evaluated anew in every draw of a Monte Carlo run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

from fringewise.core.checks import Array
from fringewise.findings.relief import Relief
from fringewise.sound.shape import area_element, normals_on, points_on

_GRID: Final = 96
_MOST_COMPARED: Final = 1200


@dataclass(frozen=True, slots=True)
class Grid:
    """An even grid of ray directions over a relief, with what stays the same from draw to draw.

    Attributes
    ----------
    x, y : (G,) arrays
        Directions of the grid lines.
    inside : (G, G) bool
        Nodes inside the outline; first axis x.
    points_mm, normals : (G, G, 3)
        Of the restored sheet.
    cell_mm2 : (G, G)
        Area on the sheet that a node stands for.
    in_x, in_y : (G, K) arrays
        The relief's splines along each axis.
    of_sheet : (G, G, L)
        How the height follows the sheet's terms.
    """

    x: Array
    y: Array
    inside: npt.NDArray[np.bool_]
    points_mm: Array
    normals: Array
    cell_mm2: Array
    in_x: Array
    in_y: Array
    of_sheet: Array

    def heights(self, coefficients: Array, sheet_offset: Array | None = None) -> Array:
        """Heights (G, G) of the relief with these coefficients, the sheet's ones off by `sheet_offset`."""
        terms = coefficients.reshape(self.in_x.shape[1], self.in_y.shape[1])
        heights = self.in_x @ terms @ self.in_y.T
        return heights if sheet_offset is None else heights + self.of_sheet @ sheet_offset


@dataclass(frozen=True, slots=True)
class Contour:
    """A contour's sizes, and where they are taken.

    Attributes
    ----------
    length_mm, width_mm, area_mm2 : float
    points_mm : (N, 3) array
        Points along it, in no order.
    length_ends, width_ends : (int, int)
        Which of them the sizes run between.
    along, across : (3,) arrays
        Directions of length and width.
    """

    length_mm: float
    width_mm: float
    area_mm2: float
    points_mm: Array
    length_ends: tuple[int, int]
    width_ends: tuple[int, int]
    along: Array
    across: Array


def grid_over(relief: Relief) -> Grid:
    """Lay the grid over the outline's inside."""
    low, high = relief.outline.min(axis=0), relief.outline.max(axis=0)
    x, y = np.linspace(low[0], high[0], _GRID), np.linspace(low[1], high[1], _GRID)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    filled = np.zeros((_GRID, _GRID), dtype=np.uint8)
    corners = (relief.outline - low) / (high - low) * (_GRID - 1)
    cv2.fillPoly(filled, [np.round(corners[:, ::-1] * 64).astype(np.int32)], 1, shift=6)
    sheet = relief.sheet
    points, normals = points_on(sheet, gx, gy), normals_on(sheet, gx, gy)
    cell = area_element(sheet, gx, gy) * (x[1] - x[0]) * (y[1] - y[0])
    by_w = np.einsum("...i,...i->...", points, normals) / sheet.inverse_depth(gx, gy)
    of_sheet = by_w[..., None] * sheet.basis(gx, gy)
    in_x, in_y = relief.smooth.along_x.dense(x), relief.smooth.along_y.dense(y)
    return Grid(x, y, filled > 0, points, normals, cell, in_x, in_y, of_sheet)


def contour_at(grid: Grid, heights_mm: Array, level_mm: float, seed: tuple[int, int]) -> Contour | None:
    """Trace where the relief crosses a level below the sheet, round the part that holds the node `seed`.

    None where that part has fewer than three crossings.
    """
    below = np.where(grid.inside, level_mm - heights_mm, -1e-9)
    deep = (below > 0).astype(np.uint8)
    _, parts = cv2.connectedComponents(deep, connectivity=4)
    own = parts == parts[seed]
    if not deep[seed]:
        return None
    points = _crossings(grid, below, own, level_mm)
    if len(points) < 3:
        return None
    mean_normal = grid.normals[own].mean(axis=0)
    sizes = extents(points, mean_normal / np.linalg.norm(mean_normal))
    area = float(np.sum(_shares(below, own) * grid.cell_mm2))
    return Contour(sizes[0], sizes[1], area, points, *sizes[2:])


def extents(
    points_mm: Array, normal: Array
) -> tuple[float, float, tuple[int, int], tuple[int, int], Array, Array]:
    """Greatest straight distance between points (N, 3), and their extent square to it in the tangent plane.

    Gives length, width, which points each runs between, and both directions. Of thousands of points in order
    every so many stand for all in the search for the length.
    """
    step = -(-len(points_mm) // _MOST_COMPARED)
    apart = cdist(points_mm[::step], points_mm[::step])
    a, b = step * np.array(np.unravel_index(int(np.argmax(apart)), apart.shape))
    length = float(np.linalg.norm(points_mm[b] - points_mm[a]))
    along = (points_mm[b] - points_mm[a]) / max(length, 1e-12)
    across = np.cross(normal, along)
    across /= np.linalg.norm(across)
    side = points_mm @ across
    low, high = int(np.argmin(side)), int(np.argmax(side))
    return length, float(side[high] - side[low]), (int(a), int(b)), (low, high), along, across


def _crossings(grid: Grid, below: Array, own: npt.NDArray[np.bool_], level_mm: float) -> Array:
    """Points where grid lines cross the part's border, between a node in it and one outside."""
    found = []
    for axis in (0, 1):
        first = [slice(None)] * 2
        second = [slice(None)] * 2
        first[axis], second[axis] = slice(None, -1), slice(1, None)
        a, b = tuple(first), tuple(second)
        i, j = np.nonzero(own[a] != own[b])
        shift = np.array([1, 0]) if axis == 0 else np.array([0, 1])
        k, m = i + shift[0], j + shift[1]
        share = below[i, j] / (below[i, j] - below[k, m])
        part = share[:, None]
        on_sheet = (1 - part) * grid.points_mm[i, j] + part * grid.points_mm[k, m]
        found.append(on_sheet + level_mm * grid.normals[i, j])
    return np.vstack(found)


def _shares(below: Array, own: npt.NDArray[np.bool_]) -> Array:
    """Share of each node's cell that lies inside the part, from the relief's height and slope there."""
    slope_x, slope_y = np.gradient(below)
    steep = np.abs(slope_x) + np.abs(slope_y) + 1e-12
    share = np.clip(0.5 + below / steep, 0.0, 1.0)
    grown = cv2.dilate(own.astype(np.uint8), np.ones((3, 3), dtype=np.uint8)) > 0
    return np.where(own, np.maximum(share, 0.5), np.where(grown & (below <= 0), np.minimum(share, 0.5), 0.0))
