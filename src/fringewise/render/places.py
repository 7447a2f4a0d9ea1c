"""Where a picture's lines lie on the metal: points under pixels, a contour's ends, the surface along a line.

For drawing only: no number that is printed comes from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.findings.finding import Section
from fringewise.sound.points import pixel_rays, ray_points
from fringewise.surface.surface import Surface

_REACHES_PX: Final = (4.0, 9.0, 18.0)
_LEAST_NEAR: Final = 8
_CUT_HALF_PX: Final = 1.5
_STRIP_HALF_PX: Final = 6.0
_BIN_PX: Final = 2.0
_MOST_CONTOUR: Final = 240


@dataclass(frozen=True, slots=True)
class Extents:
    """Ends of a contour's length and width on the photo, and which way each runs there (pixels)."""

    length_ends_px: Array
    width_ends_px: Array
    length_way_px: Array
    width_way_px: Array


@dataclass(frozen=True, slots=True)
class Cut:
    """A surface seen from the side: heights over a base line, lengths in mm.

    Attributes
    ----------
    along_mm, height_mm, expanded_mm : (N,) arrays
        Of the measured surface; NaN where there is none.
    points_along_mm, points_mm : (M,) arrays
        Single measured points.
    """

    along_mm: Array
    height_mm: Array
    expanded_mm: Array
    points_along_mm: Array
    points_mm: Array


def point_near(surface: Surface, pixel: Array, reaches_px: tuple[float, ...] = _REACHES_PX) -> Array:
    """Give the mean of the usable points (3,) within a few pixels; NaN where there are none.

    A wider reach is tried where too little lies within a narrower one, as on a dark dot.
    """
    height, width = surface.shape
    for reach in reaches_px:
        low = np.maximum(np.ceil(pixel - reach).astype(int), 0)
        high = np.minimum(np.floor(pixel + reach).astype(int), np.array([width, height]) - 1)
        if (high < low).any():
            continue
        columns, rows = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
        near = np.hypot(columns - pixel[0], rows - pixel[1]) <= reach
        points = ray_points(surface, near, top_left=(int(low[0]), int(low[1])))
        if len(points) >= _LEAST_NEAR:
            return np.asarray(points.xyz_mm.mean(axis=0))
    return np.full(3, np.nan)


def points_near(surface: Surface, pixels: Array) -> Array:
    """Give `point_near` for several pixels (N, 3)."""
    return np.array([point_near(surface, pixel) for pixel in pixels])


def standoff_of(surface: Surface) -> float:
    """Median distance along the camera's axis of all usable points, mm; NaN where there are none."""
    z = surface.xyz_mm[..., 2][surface.usable]
    return float(np.median(z)) if z.size else float("nan")


def extents_of(surface: Surface, contour_px: Array) -> Extents | None:
    """Find where a contour's length and width end on the photo; None where its metal was not seen."""
    line = contour_px[:: max(1, len(contour_px) // _MOST_CONTOUR)]
    points = points_near(surface, line)
    seen = np.isfinite(points).all(axis=1)
    line, points = line[seen], points[seen]
    if len(line) < 3:
        return None
    apart = np.linalg.norm(points[:, None] - points[None], axis=-1)
    first, second = (int(n) for n in np.unravel_index(np.argmax(apart), apart.shape))
    way = points[second] - points[first]
    way /= max(float(np.linalg.norm(way)), 1e-12)
    normal = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][2]
    across = np.cross(normal, way)
    reach = points @ (across / max(float(np.linalg.norm(across)), 1e-12))
    ends = [int(np.argmin(reach)), int(np.argmax(reach))]
    to_px = np.linalg.lstsq(points - points.mean(axis=0), line - line.mean(axis=0), rcond=None)[0]
    return Extents(line[[first, second]], line[ends], way @ to_px, across @ to_px)


def cut_of(section: Section) -> Cut:
    """Take a finding's own section."""
    return Cut(
        section.along_mm,
        section.measured_mm,
        section.expanded_mm,
        section.points_along_mm,
        section.points_mm,
    )


def surface_between(surface: Surface, ends_px: Array, ends_mm: Array) -> Cut | None:
    """Cut the surface between two pixels: heights over the straight line between two points in space.

    Heights are square to that line and to the surface's direction across it, positive towards the head. None
    where an end has no point, or no surface was seen between them.
    """
    first, second = ends_mm
    if not np.isfinite(ends_mm).all():
        return None
    low = np.maximum(np.floor(ends_px.min(axis=0) - _STRIP_HALF_PX).astype(int), 0)
    high = np.ceil(ends_px.max(axis=0) + _STRIP_HALF_PX).astype(int)
    high = np.minimum(high, np.array(surface.shape[::-1]) - 1)
    u, v = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    way, length_px = _direction(ends_px)
    along_px, aside_px = _along_and_aside(u, v, ends_px[0], way)
    strip = (np.abs(aside_px) <= _STRIP_HALF_PX) & (along_px >= 0) & (along_px <= length_px)
    points = ray_points(surface, strip, top_left=(int(low[0]), int(low[1])))
    along_px, aside_px = _along_and_aside(points.u, points.v, ends_px[0], way)
    near = np.abs(aside_px) <= _CUT_HALF_PX
    if near.sum() < _LEAST_NEAR:
        return None
    straight, up = _base(first, second, _across(points.xyz_mm, along_px, aside_px))
    points, along_px = points.where(near), along_px[near]
    offset = points.xyz_mm - first
    bins = np.arange(0.0, length_px + _BIN_PX, _BIN_PX)
    along, heights = offset @ straight, offset @ up
    middles, mean, expanded = _binned(along_px, along, heights, points.range_sigma_mm, bins)
    return Cut(middles, mean, expanded, along, heights)


def line_and_foot(surface: Surface, line_px: Array, point_px: Array) -> tuple[Array, Array] | None:
    """Give the foot of the perpendicular from a point to a line in space, and the point.

    Returns
    -------
    ends_px (2, 2), ends_mm (2, 3)
        On the photo and in space; None where a mark has no surface near it.
    """
    first, second, third = points_near(surface, np.vstack([line_px, point_px[None, :]]))
    along = second - first
    share = float((third - first) @ along / (along @ along))
    if not np.isfinite(share):
        return None
    foot = first + share * along
    try:
        u, v = pixel_rays(surface).pixel(foot[:1] / foot[2], foot[1:2] / foot[2])
        foot_px = np.array([float(u[0]), float(v[0])])
    except NotMeasurable:
        foot_px = line_px[0] + share * (line_px[1] - line_px[0])
    return np.array([foot_px, point_px]), np.array([foot, third])


def _direction(ends_px: Array) -> tuple[Array, float]:
    length = float(np.hypot(*(ends_px[1] - ends_px[0])))
    return (ends_px[1] - ends_px[0]) / max(length, 1e-9), length


def _along_and_aside(u: Array, v: Array, start: Array, way: Array) -> tuple[Array, Array]:
    du, dv = np.asarray(u) - start[0], np.asarray(v) - start[1]
    return du * way[0] + dv * way[1], dv * way[0] - du * way[1]


def _across(xyz_mm: Array, along_px: Array, aside_px: Array) -> Array:
    """Give the direction (3,) on the surface across a strip: how its points move with the pixels aside."""
    terms = np.column_stack([np.ones_like(along_px), along_px, along_px**2, aside_px])
    return np.asarray(np.linalg.lstsq(terms, xyz_mm, rcond=None)[0][3])


def _base(first: Array, second: Array, across: Array) -> tuple[Array, Array]:
    """Direction of the straight line between two points; and square to it and across, towards the head."""
    straight = (second - first) / max(float(np.linalg.norm(second - first)), 1e-12)
    up = np.cross(straight, across)
    up = up if up @ (first + second) <= 0 else -up
    return straight, up / max(float(np.linalg.norm(up)), 1e-12)


def _binned(
    number: Array, along: Array, heights: Array, sigma: Array, bins: Array
) -> tuple[Array, Array, Array]:
    """Mean place, mean height and its U in each bin; NaN where a bin is empty."""
    which = np.clip(np.digitize(number, bins) - 1, 0, len(bins) - 2)
    weight = 1 / sigma**2
    total = np.bincount(which, weight, len(bins) - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = np.bincount(which, weight * along, len(bins) - 1) / total
        mean = np.bincount(which, weight * heights, len(bins) - 1) / total
        return middle, mean, 2 / np.sqrt(np.where(total > 0, total, np.nan))
