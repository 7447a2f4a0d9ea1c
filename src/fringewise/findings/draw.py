"""What a picture of a finding needs: lines on the photo, the deviation map and a section."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.findings.contour import Contour
from fringewise.findings.extremum import Extremum
from fringewise.findings.finding import Drawing, Section
from fringewise.findings.kind import Look
from fringewise.findings.relief import Relief, window_pixels
from fringewise.sound.points import RayPoints
from fringewise.sound.shape import feet, points_on

_CUT_HALF_WIDTH_PX: Final = 2.0
_BIN_PX: Final = 2.0
_CUT_BEYOND: Final = 1.7


def relief_drawing(
    look: Look,
    relief: Relief,
    deepest: Extremum,
    contour: Contour | None,
    expanded_mm: float,
    cut_px: Array | None = None,
) -> Drawing:
    """Collect the drawing of a relief: its outline and contour, the deviation map, a section through it.

    The section runs along the contour's length; `cut_px` (u, v) gives another direction.
    """
    rows, columns = np.nonzero(relief.window.inside)
    x, y = look.rays.direction(*window_pixels(relief.window, rows, columns))
    deviation = np.full(relief.window.inside.shape, np.nan)
    deviation[rows, columns] = relief.smooth.values(*relief.feet_seen_along(x, y))
    lines = [np.column_stack(look.rays.pixel(relief.outline[:, 0], relief.outline[:, 1]))]
    if contour is not None:
        lines.append(_ordered(_pixels_of(look, contour.points_mm)))
    u, v = _pixels_of(look, deepest.point_mm[None, :])[0]
    deepest_px = (float(u), float(v))
    if cut_px is None:
        cut_px = _lengthwise(look, contour)
    section = _section(look, relief, np.array(deepest_px), cut_px)
    corner = (relief.window.first_u, relief.window.first_v)
    return Drawing((), tuple(lines), deviation, expanded_mm, corner, deepest_px, section)


def _lengthwise(look: Look, contour: Contour | None) -> Array:
    if contour is None:
        return np.array([1.0, 0.0])
    end_px = _pixels_of(look, contour.points_mm[list(contour.length_ends)])
    return np.asarray((end_px[1] - end_px[0]) / max(float(np.linalg.norm(end_px[1] - end_px[0])), 1e-9))


def _section(look: Look, relief: Relief, middle_px: Array, direction: Array) -> Section:
    """Cut through the deepest place along a direction on the photo."""
    outline_px = np.column_stack(look.rays.pixel(relief.outline[:, 0], relief.outline[:, 1]))
    half = _CUT_BEYOND / 2 * float(np.ptp(outline_px @ direction))
    points = _all_points(relief)
    offset = np.column_stack([points.u, points.v]) - middle_px
    along, aside = offset @ direction, offset @ np.array([-direction[1], direction[0]])
    near = (np.abs(aside) <= _CUT_HALF_WIDTH_PX) & (np.abs(along) <= half)
    points, along = points.where(near), along[near]
    _, _, heights = feet(relief.sheet, points.xyz_mm)
    bins = np.arange(-half, half + _BIN_PX, _BIN_PX)
    middles = (bins[:-1] + bins[1:]) / 2
    mean, expanded = _binned(along, heights, points.range_sigma_mm, bins)
    start, stop = middle_px - half * direction, middle_px + half * direction
    to_mm = _arc(look, relief, middle_px + middles[:, None] * direction)
    return Section(
        to_mm,
        mean,
        expanded,
        np.interp(along, middles, to_mm),
        heights,
        (float(start[0]), float(start[1])),
        (float(stop[0]), float(stop[1])),
    )


def _pixels_of(look: Look, points_mm: Array) -> Array:
    """Pixel coordinates (N, 2) of points."""
    return np.column_stack(
        look.rays.pixel(points_mm[:, 0] / points_mm[:, 2], points_mm[:, 1] / points_mm[:, 2])
    )


def _all_points(relief: Relief) -> RayPoints:
    ring, inside = relief.ring_points, relief.points
    return RayPoints(
        np.concatenate([ring.u, inside.u]),
        np.concatenate([ring.v, inside.v]),
        np.concatenate([ring.x, inside.x]),
        np.concatenate([ring.y, inside.y]),
        np.concatenate([ring.inverse_depth, inside.inverse_depth]),
        np.concatenate([ring.sigma, inside.sigma]),
    )


def _binned(along: Array, heights: Array, sigma: Array, bins: Array) -> tuple[Array, Array]:
    """Mean height and its U in each bin; NaN where a bin is empty."""
    number = np.digitize(along, bins) - 1
    weight = np.bincount(number, 1 / sigma**2, len(bins) - 1)[: len(bins) - 1]
    total = np.bincount(number, heights / sigma**2, len(bins) - 1)[: len(bins) - 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        return total / weight, 2 / np.sqrt(np.where(weight > 0, weight, np.nan))


def _arc(look: Look, relief: Relief, line_px: Array) -> Array:
    """Distance along the restored surface under points of a line on the photo."""
    x, y = look.rays.direction(line_px[:, 0], line_px[:, 1])
    steps = np.linalg.norm(np.diff(points_on(relief.sheet, x, y), axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _ordered(points_px: Array) -> Array:
    """Points of a closed contour in order round their middle, first again at the end."""
    middle = points_px.mean(axis=0)
    turn = np.arctan2(*(points_px - middle).T[::-1])
    return np.asarray(points_px[np.append(np.argsort(turn), np.argmin(turn))])
