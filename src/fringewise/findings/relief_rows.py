"""How a relief's depth, contour sizes and volume follow its terms: the gradient of the linear route.

Where the height h over the sheet changes by δh and the depth D by δD, the contour h = -s D moves square to
itself by (δh + s δD) / |∇h|. Length and width change by how their ends move, the area by the strip between
both contours; the depth by the height at the deepest place, which moves only to second order.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.findings.contour import Contour, Grid
from fringewise.findings.extremum import Extremum
from fringewise.findings.relief import Relief
from fringewise.sound.shape import points_on

_STEP: Final = 1e-5


def size_rows(
    relief: Relief, deepest: Extremum, grid: Grid, contour: Contour | None, share: float
) -> tuple[Array, Array]:
    """Rows (5, K) by the relief's terms and (5, L) by the sheet's, of depth, length, width, area and volume.

    NaN for the sizes of a contour that is not there.
    """
    depth = _joined(relief, *deepest.at)[0] * -1.0
    terms = relief.smooth.coefficients.size
    rows = np.full((5, depth.size), np.nan)
    rows[0] = depth
    rows[4] = _volume_row(grid)
    if contour is not None:
        rows[1:3] = _extent_rows(relief, contour, depth, share)
        rows[3] = _area_row(relief, grid, contour, depth, share, -deepest.height_mm)
    return rows[:, :terms], rows[:, terms:]


def _joined(relief: Relief, x: Array, y: Array) -> Array:
    """How heights at places follow all terms, the relief's first (N, K + L)."""
    return np.hstack(relief.height_row(x, y))


def _volume_row(grid: Grid) -> Array:
    weights = np.where(grid.inside, grid.cell_mm2, 0.0)
    own = grid.in_x.T @ weights @ grid.in_y
    return -np.concatenate([own.ravel(), np.tensordot(weights, grid.of_sheet, axes=2)])


def _extent_rows(relief: Relief, contour: Contour, depth: Array, share: float) -> Array:
    ends = [*contour.length_ends, *contour.width_ends]
    points = contour.points_mm[ends]
    x, y = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]
    heights = _joined(relief, x, y) + share * depth
    slope_x, slope_y = relief.smooth.values(x, y, (1, 0)), relief.smooth.values(x, y, (0, 1))
    on_sheet = points_on(relief.sheet, x, y)
    by_x = (points_on(relief.sheet, x + _STEP, y) - on_sheet) / _STEP
    by_y = (points_on(relief.sheet, x, y + _STEP) - on_sheet) / _STEP
    moved = np.array(
        [_moved(by_x[n], by_y[n], slope_x[n], slope_y[n])[:, None] * heights[n] for n in range(len(ends))]
    )
    along, across = contour.along, contour.across
    apart = moved[1] - moved[0]
    turn = across @ apart / contour.length_mm
    lever = float((points[3] - points[2]) @ along)
    return np.vstack([along @ apart, across @ (moved[3] - moved[2]) - lever * turn])


def _moved(by_x: Array, by_y: Array, slope_x: float, slope_y: float) -> Array:
    """How a contour's point (3,) moves where the height grows by one: down the slope, in the sheet."""
    metric = np.array([[by_x @ by_x, by_x @ by_y], [by_x @ by_y, by_y @ by_y]])
    steepest = np.linalg.solve(metric, np.array([slope_x, slope_y]))
    square = steepest @ np.array([slope_x, slope_y])
    return np.asarray(-(by_x * steepest[0] + by_y * steepest[1]) / max(square, 1e-18))


def _area_row(
    relief: Relief, grid: Grid, contour: Contour, depth: Array, share: float, depth_mm: float
) -> Array:
    """Nodes whose cells the contour cuts, each with the area that it gains for a lower height."""
    heights = grid.heights(relief.smooth.coefficients)
    below = np.where(grid.inside, -share * depth_mm - heights, -1e-9)
    in_x, in_y = np.gradient(below)
    steep = np.abs(in_x) + np.abs(in_y) + 1e-12
    near = _near_contour(grid, contour)
    cut = near & grid.inside & (np.abs(below) < 0.5 * steep)
    i, j = np.nonzero(cut)
    if len(i) == 0:
        return np.full(depth.size, np.nan)
    gain = grid.cell_mm2[i, j] / steep[i, j]
    own = (grid.in_x[i][:, :, None] * grid.in_y[j][:, None, :]).reshape(len(i), -1)
    rows = np.hstack([own, grid.of_sheet[i, j]])
    return np.asarray(-(gain @ rows + share * depth * gain.sum()))


def _near_contour(grid: Grid, contour: Contour) -> npt.NDArray[np.bool_]:
    """Nodes within two cells of the contour: another part below the level is not meant."""
    x = contour.points_mm[:, 0] / contour.points_mm[:, 2]
    y = contour.points_mm[:, 1] / contour.points_mm[:, 2]
    i = np.clip(np.round((x - grid.x[0]) / (grid.x[1] - grid.x[0])).astype(int), 0, len(grid.x) - 1)
    j = np.clip(np.round((y - grid.y[0]) / (grid.y[1] - grid.y[0])).astype(int), 0, len(grid.y) - 1)
    near = np.zeros(grid.inside.shape, dtype=bool)
    for di in (-2, -1, 0, 1, 2):
        for dj in (-2, -1, 0, 1, 2):
            near[np.clip(i + di, 0, len(grid.x) - 1), np.clip(j + dj, 0, len(grid.y) - 1)] = True
    return near
