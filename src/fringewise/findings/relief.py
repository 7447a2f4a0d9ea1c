"""A damage as a relief on the restored metal: the smooth height over the sheet inside an outline.

Heights are along the restored sheet's normal, negative into the metal. The relief is a smooth field through
the raw heights, so that "deepest" is the extremum of a fitted surface and not the worst pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.findings.kind import Look
from fringewise.findings.marks import straight_line
from fringewise.sound.points import RayPoints, on_rays, ray_length, ray_points
from fringewise.sound.polygon import Window, signed_area, window_round
from fringewise.sound.shape import feet, normals_on, points_on
from fringewise.sound.sheet import Sheet, pixel_numbers, restore_again, restore_sheet
from fringewise.sound.smooth import Smooth, fit_again, fit_smooth
from fringewise.sound.turned import Turned, fit_turned, fit_turned_again

BoolArray = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.intp]

_RING_PX: Final = (25.0, 140.0)
_RING_STARTS_PX: Final = 1.5
_MARGIN_PX: Final = 3.0
_MOST_RING_POINTS: Final = 30_000
_LEAST_INSIDE: Final = 30
_LEAST_SEEN: Final = 0.6
_KNOT_PX: Final = 2.5
_KNOTS: Final = (8, 40)
_ROUNDS: Final = 2
_LONGER: Final = 1.5
_RUN_KNOTS: Final = (8, 60)


@dataclass(frozen=True, slots=True)
class Run:
    """How a long and narrow damage runs.

    Attributes
    ----------
    along : (2,) array
        Unit vector over ray directions.
    span : float
        Width of a spline's span across, in ray directions; `_LONGER` times as much along.
    """

    along: Array
    span: float

    @property
    def matrix(self) -> Array:
        """Turns directions into (along / _LONGER, across)."""
        x, y = self.along
        return np.array([[x / _LONGER, y / _LONGER], [-y, x]])


@dataclass(frozen=True, slots=True)
class Relief:
    """The height of the measured surface over the restored sheet, inside and close round an outline.

    Attributes
    ----------
    window : Window
        Pixels round the outline.
    sheet : Sheet
    smooth : Smooth
        Height in mm over the directions of its foot on the sheet, not of the point itself.
    points : RayPoints
        The decoded points of the relief.
    heights_mm : (N,) array
        Their raw heights.
    outline : (M, 2) array
        Directions along the outline.
    ring_points : RayPoints
        The points that were offered to the sheet.
    seen : float
        Share of the pixels inside that have a usable point.
    """

    window: Window
    sheet: Sheet
    smooth: Smooth
    points: RayPoints
    heights_mm: Array
    outline: Array
    ring_points: RayPoints
    seen: float

    def point(self, x: Array, y: Array) -> Array:
        """Points (N, 3) of the smooth measured surface over feet at directions (N,)."""
        heights = self.smooth.values(x, y)
        return points_on(self.sheet, x, y) + heights[:, None] * normals_on(self.sheet, x, y)

    def feet_seen_along(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Feet of the points that are seen along directions (N,): where a ray's point stands on the sheet."""
        foot_x, foot_y = x, y
        for _ in range(2):
            seen = self.point(foot_x, foot_y)
            foot_x = foot_x + (x - seen[:, 0] / seen[:, 2])
            foot_y = foot_y + (y - seen[:, 1] / seen[:, 2])
        return foot_x, foot_y

    def height_row(self, x: Array, y: Array) -> tuple[Array, Array]:
        """How the height at N places follows the relief's terms (N, K) and the sheet's terms (N, L)."""
        w = self.sheet.inverse_depth(x, y)
        by_w = np.einsum("ni,ni->n", points_on(self.sheet, x, y), normals_on(self.sheet, x, y)) / w
        return self.smooth.basis(x, y), by_w[:, None] * self.sheet.basis(x, y)

    def noise_variance(self, x: Array, y: Array) -> Array:
        """Variance (N,) of the smooth height from frame noise, through damage and sheet together."""
        return np.asarray(self.smooth.variance(self.smooth.basis(x, y)) + self.sheet_noise_variance(x, y))

    def sheet_noise_variance(self, x: Array, y: Array) -> Array:
        """Variance (N,) of the restored sheet under it from frame noise."""
        _, of_sheet = self.height_row(x, y)
        return np.asarray(
            np.einsum("ni,ij,nj->n", of_sheet, self.sheet.noise_covariance, of_sheet, optimize=True)
        )

    def model_variance(self, x: Array, y: Array) -> Array:
        """Variance (N,) of the height from the restored metal's own doubt."""
        _, of_sheet = self.height_row(x, y)
        return np.asarray(
            np.einsum("ni,ij,nj->n", of_sheet, self.sheet.model_covariance, of_sheet, optimize=True)
        )


def fit_relief(look: Look, outline_px: Array, like: Relief | None = None, run: Run | None = None) -> Relief:
    """Restore the metal under an outline (N, 2) and fit the relief over it.

    Parameters
    ----------
    look : Look
    outline_px : (N, 2) array
    like : Relief, optional
        An earlier fit to almost the same outline, whose choices (degrees, splines, smoothness) are kept.
    run : Run, optional
        The direction of a long and narrow damage, for splines that lie along it.

    Raises
    ------
    NotMeasurable
        Where too little of the inside or of the surroundings was seen.
    """
    line = straight_line(look.rays, outline_px, closed=True)
    u, v = look.rays.pixel(line[:, 0], line[:, 1])
    border_px = np.column_stack([u, v])
    diameter_px = 2 * np.sqrt(abs(signed_area(border_px)) / np.pi)
    reach = float(np.clip(diameter_px / 2, *_RING_PX))
    window = window_round(border_px, reach + 1, look.surface.shape)
    corner = (window.first_u, window.first_v)
    ring = (window.distance_px > _RING_STARTS_PX) & (window.distance_px <= reach)
    ring_points = ray_points(look.surface, _thinned(ring), top_left=corner)
    if like is None:
        sheet = restore_sheet(ring_points, patch_px=diameter_px)
    else:
        rejected = pixel_numbers(like.ring_points.where(~like.sheet.kept))
        sheet = restore_again(ring_points, like.sheet, rejected)
    inside = ray_points(look.surface, window.inside, top_left=corner)
    seen = len(inside) / int(window.inside.sum())
    _enough_seen(len(inside), seen)
    points = ray_points(look.surface, window.distance_px <= _MARGIN_PX, top_left=corner)
    feet_xy, heights, sigma = raw_heights(sheet, points)
    smooth = _smooth_heights((feet_xy[:, 0], feet_xy[:, 1], heights, sigma), diameter_px, like, run)
    return Relief(window, sheet, smooth, points, heights, line, ring_points, seen)


def _smooth_heights(
    values: tuple[Array, Array, Array, Array], diameter_px: float, like: Relief | None, run: Run | None
) -> Smooth:
    if like is not None and isinstance(like.smooth, Turned):
        return fit_turned_again(like.smooth, *values)
    if like is not None:
        return fit_again(like.smooth, *values)
    if run is None:
        knots = int(np.clip(diameter_px / _KNOT_PX, *_KNOTS))
        return fit_smooth(*values, knots=knots, rounds=_ROUNDS)
    matrix = run.matrix
    extent = np.ptp(np.column_stack(values[:2]) @ matrix.T, axis=0).max()
    knots = int(np.clip(extent / run.span, *_RUN_KNOTS))
    return fit_turned(*values, matrix=matrix, knots=knots, rounds=_ROUNDS)


def window_pixels(window: Window, rows: Numbers, columns: Numbers) -> tuple[Array, Array]:
    """Pixel coordinates u and v on the photo of rows and columns of a window."""
    return columns.astype(np.float64) + window.first_u, rows.astype(np.float64) + window.first_v


def _thinned(ring: BoolArray) -> BoolArray:
    step = int(np.ceil(np.sqrt(max(ring.sum() / _MOST_RING_POINTS, 1.0))))
    if step == 1:
        return ring
    grid = np.zeros_like(ring)
    grid[::step, ::step] = True
    return np.asarray(ring & grid)


def _enough_seen(count: int, seen: float) -> None:
    if count < _LEAST_INSIDE:
        raise NotMeasurable(f"only {count} points of the damage can be used: move nearer")
    if seen < _LEAST_SEEN:
        raise NotMeasurable(
            f"only {100 * seen:.0f} % of the inside has a surface that can be trusted: "
            "look from another side, or with less gloss"
        )


def raw_heights(sheet: Sheet, points: RayPoints) -> tuple[Array, Array, Array]:
    """Feet of points on the sheet (directions, (N, 2)), heights along its normal, and their u (mm)."""
    foot_x, foot_y, heights = feet(sheet, points.xyz_mm)
    ray = on_rays(points.x, points.y, ray_length(points.x, points.y))
    slant = np.abs(np.einsum("ni,ni->n", ray, normals_on(sheet, foot_x, foot_y)))
    return np.column_stack([foot_x, foot_y]), heights, points.range_sigma_mm * slant
