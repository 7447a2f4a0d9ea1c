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
from fringewise.sound.sheet import Sheet, restore_sheet
from fringewise.sound.smooth import Smooth, fit_smooth

BoolArray = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.intp]

_RING_PX: Final = (25.0, 140.0)
_RING_STARTS_PX: Final = 1.5
_MARGIN_PX: Final = 3.0
_MOST_RING_POINTS: Final = 30_000
_LEAST_INSIDE: Final = 30
_LEAST_SEEN: Final = 0.6
_KNOT_PX: Final = 3.5
_KNOTS: Final = (6, 18)
_NEWTON_STEPS: Final = 8


@dataclass(frozen=True, slots=True)
class Relief:
    """The height of the measured surface over the restored sheet, inside and close round an outline.

    Attributes
    ----------
    window : Window
        Pixels round the outline.
    sheet : Sheet
    smooth : Smooth
        Height in mm over ray directions.
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

    def height_row(self, x: Array, y: Array) -> tuple[Array, Array]:
        """How the height at N places follows the relief's terms (N, K) and the sheet's terms (N, L)."""
        w = self.sheet.inverse_depth(x, y)
        by_w = np.einsum("ni,ni->n", points_on(self.sheet, x, y), normals_on(self.sheet, x, y)) / w
        return self.smooth.basis(x, y), by_w[:, None] * self.sheet.basis(x, y)

    def noise_variance(self, x: Array, y: Array) -> Array:
        """Variance (N,) of the smooth height from frame noise, through damage and sheet together."""
        own, of_sheet = self.height_row(x, y)
        inside = np.einsum("ni,ij,nj->n", own, self.smooth.covariance, own, optimize=True)
        below = np.einsum("ni,ij,nj->n", of_sheet, self.sheet.noise_covariance, of_sheet, optimize=True)
        return np.asarray(inside * max(1.0, self.smooth.misfit) ** 2 + below)

    def model_variance(self, x: Array, y: Array) -> Array:
        """Variance (N,) of the height from the restored metal's own doubt."""
        _, of_sheet = self.height_row(x, y)
        return np.asarray(
            np.einsum("ni,ij,nj->n", of_sheet, self.sheet.model_covariance, of_sheet, optimize=True)
        )


@dataclass(frozen=True, slots=True)
class Extremum:
    """The deepest or highest place of a relief: direction, height, and the points above and on the sheet."""

    x: float
    y: float
    height_mm: float
    point_mm: Array
    foot_mm: Array
    normal: Array

    @property
    def at(self) -> tuple[Array, Array]:
        """Its direction as arrays of one."""
        return np.array([self.x]), np.array([self.y])


def fit_relief(look: Look, outline_px: Array) -> Relief:
    """Restore the metal under an outline (N, 2) and fit the relief over it.

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
    sheet = restore_sheet(ring_points, patch_px=diameter_px)
    inside = ray_points(look.surface, window.inside, top_left=corner)
    seen = len(inside) / int(window.inside.sum())
    _enough_seen(len(inside), seen)
    points = ray_points(look.surface, window.distance_px <= _MARGIN_PX, top_left=corner)
    heights, sigma = _heights(sheet, points)
    knots = int(np.clip(diameter_px / _KNOT_PX, *_KNOTS))
    smooth = fit_smooth(points.x, points.y, heights, sigma, knots=knots)
    return Relief(window, sheet, smooth, points, heights, line, ring_points, seen)


def find_extremum(relief: Relief, look: Look, *, sign: float) -> Extremum:
    """Find the deepest (sign -1) or highest (sign +1) place of the smooth relief inside the outline."""
    rows, columns = np.nonzero(relief.window.inside & _near_points(relief))
    x, y = look.rays.direction(*window_pixels(relief.window, rows, columns))
    heights = relief.smooth.values(x, y)
    best = int(np.argmax(sign * heights))
    at_x, at_y = _climbed(relief.smooth, float(x[best]), float(y[best]), sign, _pixel_step(x, y))
    where = np.array([at_x]), np.array([at_y])
    height = float(relief.smooth.values(*where)[0])
    start = points_on(relief.sheet, *where)
    point = _raised(relief.sheet, start, height)
    foot_x, foot_y, _ = feet(relief.sheet, point)
    foot = points_on(relief.sheet, foot_x, foot_y)[0]
    return Extremum(at_x, at_y, height, point[0], foot, normals_on(relief.sheet, foot_x, foot_y)[0])


def window_pixels(window: Window, rows: Numbers, columns: Numbers) -> tuple[Array, Array]:
    """Pixel coordinates u and v on the photo of rows and columns of a window."""
    return columns.astype(np.float64) + window.first_u, rows.astype(np.float64) + window.first_v


def _raised(sheet: Sheet, on_sheet: Array, height_mm: float) -> Array:
    """The point on the same ray as `on_sheet` (1, 3) whose distance from the sheet is `height_mm`."""
    ray = on_sheet / np.linalg.norm(on_sheet, axis=-1, keepdims=True)
    along = np.linalg.norm(on_sheet, axis=-1)
    for _ in range(6):
        point = along[:, None] * ray
        _, _, height = feet(sheet, point)
        normal = normals_on(sheet, point[:, 0] / point[:, 2], point[:, 1] / point[:, 2])
        along = along + (height_mm - height) / np.einsum("ni,ni->n", ray, normal)
    return np.asarray(along[:, None] * ray)


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


def _heights(sheet: Sheet, points: RayPoints) -> tuple[Array, Array]:
    """Heights (N,) of points over the sheet along its normal, and their standard uncertainties."""
    xyz = points.xyz_mm
    foot_x, foot_y, heights = feet(sheet, xyz)
    ray = on_rays(points.x, points.y, ray_length(points.x, points.y))
    slant = np.abs(np.einsum("ni,ni->n", ray, normals_on(sheet, foot_x, foot_y)))
    return heights, points.range_sigma_mm * slant


def _near_points(relief: Relief) -> BoolArray:
    """Pixels of the window with a decoded point within two pixels, where the relief is more than a guess."""
    window = relief.window
    held = np.zeros(window.inside.shape, dtype=bool)
    rows = (relief.points.v - window.first_v).astype(int)
    columns = (relief.points.u - window.first_u).astype(int)
    held[rows, columns] = True
    grown = held.copy()
    for dv in range(-2, 3):
        for du in range(-2, 3):
            grown |= np.roll(held, (dv, du), axis=(0, 1))
    return grown


def _pixel_step(x: Array, y: Array) -> float:
    return float(np.sqrt(max(np.ptp(x) * np.ptp(y), 1e-18) / max(len(x), 1)))


def _climbed(smooth: Smooth, x: float, y: float, sign: float, pixel: float) -> tuple[float, float]:
    """Climb from the best pixel to the extremum by Newton's method, a pixel and a half away at most."""
    start = np.array([x, y])
    at = start.copy()
    for _ in range(_NEWTON_STEPS):
        where = np.array([at[0]]), np.array([at[1]])
        slope = sign * np.array([smooth.values(*where, d)[0] for d in ((1, 0), (0, 1))])
        xx, xy, yy = (sign * smooth.values(*where, d)[0] for d in ((2, 0), (1, 1), (0, 2)))
        if xx + yy >= 0 or xx * yy - xy * xy <= 0:
            break
        at = at - np.linalg.solve(np.array([[xx, xy], [xy, yy]]), slope)
        if np.abs(at - start).max() > 1.5 * pixel:
            return x, y
    better = sign * float(smooth.values(np.array([at[0]]), np.array([at[1]]))[0])
    return (float(at[0]), float(at[1])) if better >= sign * float(smooth.values(*_one(start))[0]) else (x, y)


def _one(at: Array) -> tuple[Array, Array]:
    return np.array([at[0]]), np.array([at[1]])
