"""From marks on the photo to places on the metal: checks, outlines, and the smooth surface at a mark."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.calibrate.features import Feature, draw_to_feature, on_plane
from fringewise.core.checks import Array
from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.findings.finding import DrawnMark, Finding
from fringewise.findings.kind import Look
from fringewise.sound.points import PixelRays, ray_points
from fringewise.sound.polygon import crosses_itself
from fringewise.sound.shape import normals_on, points_on
from fringewise.sound.sheet import Sheet, fit_sheet
from fringewise.surface.surface import Surface

BoolArray = npt.NDArray[np.bool_]

_REACH_PX: Final = 3
_ROUND_PX: Final = 18
_LOCAL_RADII_PX: Final = (8, 12, 18, 26)
_LEAST_LOCAL_POINTS: Final = 60
_SIDE_POINTS: Final = 8


@dataclass(frozen=True, slots=True)
class Place:
    """A mark on the metal: the point on the smooth surface there, and how it moves.

    Attributes
    ----------
    uv_px : (2,) array
    point_mm : (3,) array
    by_mark : (3, 2) array
        Derivative of the point by the mark's u and v, mm/px.
    by_depth : (3,) array
        Derivative of the point by the sheet's inverse depth.
    noise, model : float
        Variance of the sheet's inverse depth there from frame noise, and from its own misfit.
    sigma_px : float
        Standard uncertainty of the mark, in u and in v.
    radius_px : float
        How far the points reach that the sheet is fitted to.
    sheet : Sheet
        The smooth surface round the mark.
    """

    uv_px: Array
    point_mm: Array
    by_mark: Array
    by_depth: Array
    noise: float
    model: float
    sigma_px: float
    radius_px: float
    sheet: Sheet


def marks_on_metal(surface: Surface, marks_px: Array) -> None:
    """Refuse marks outside the photo or away from any surface.

    Raises
    ------
    MarksAtFault
        With how many of how many marks, and why.
    """
    height, width = surface.shape
    u, v = np.round(marks_px).astype(int).T
    outside = (u < 0) | (v < 0) | (u >= width) | (v >= height)
    if outside.any():
        raise MarksAtFault(f"{outside.sum()} of {len(u)} marks lie outside the photo")
    bare = [not _on_metal(surface.usable, a, b) for a, b in zip(u, v, strict=True)]
    if any(bare):
        raise MarksAtFault(
            f"{sum(bare)} of {len(u)} marks lie on pixels without a surface: mark where the head saw metal"
        )


def _on_metal(usable: BoolArray, u: int, v: int) -> bool:
    """Whether there is surface close to a pixel, or on all sides of it (as round a dark dot)."""
    near = usable[max(v - _REACH_PX, 0) : v + _REACH_PX + 1, max(u - _REACH_PX, 0) : u + _REACH_PX + 1]
    if near.any():
        return True
    up, down = slice(max(v - _ROUND_PX, 0), v), slice(v, v + _ROUND_PX)
    left, right = slice(max(u - _ROUND_PX, 0), u), slice(u, u + _ROUND_PX)
    return all(bool(usable[part].any()) for part in ((up, left), (up, right), (down, left), (down, right)))


def outline_of(look: Look, finding: Finding) -> Array:
    """Give the outline's marks (N, 2), checked: on metal, and not crossing itself."""
    outline = finding.marks["outline_px"]
    marks_on_metal(look.surface, outline)
    if crosses_itself(outline):
        raise MarksAtFault("the outline crosses itself: mark it round once, in order")
    return outline


def straight_line(
    rays: PixelRays, marks_px: Array, *, closed: bool, side_points: int = _SIDE_POINTS
) -> Array:
    """Join marks by lines that are straight in the undistorted image; directions (M, 2).

    Each side gives `side_points` points, its first mark among them; an open line ends with its last mark.
    """
    x, y = rays.direction(marks_px[:, 0], marks_px[:, 1])
    corners = np.column_stack([x, y])
    following = np.roll(corners, -1, axis=0)
    share = (np.arange(side_points) / side_points)[None, :, None]
    sides = corners[:, None] * (1 - share) + following[:, None] * share
    if closed:
        return sides.reshape(-1, 2)
    return np.vstack([sides[:-1].reshape(-1, 2), corners[-1:]])


def place(look: Look, mark_px: Array, sigma_px: float) -> Place:
    """Put a mark on the smooth surface round it.

    Raises
    ------
    NotMeasurable
        Where there are too few points round the mark.
    """
    sheet, radius = _local_sheet(look.surface, mark_px)
    u, v = float(mark_px[0]), float(mark_px[1])
    step = 0.5
    around_u = np.array([u, u + step, u - step, u, u])
    around_v = np.array([v, v, v, v + step, v - step])
    x, y = look.rays.direction(around_u, around_v)
    points = points_on(sheet, x, y)
    row = sheet.basis(x[:1], y[:1])[0]
    w = float(sheet.inverse_depth(x[:1], y[:1])[0])
    by_mark = np.column_stack([points[1] - points[2], points[3] - points[4]]) / (2 * step)
    return Place(
        np.array([u, v]),
        points[0],
        by_mark,
        -points[0] / w,
        float(row @ sheet.noise_covariance @ row),
        float(row @ sheet.model_covariance @ row),
        sigma_px,
        radius,
        sheet,
    )


def drawn_places(
    look: Look, marks_px: Array, placing_px: float, *, draws: bool = True
) -> tuple[list[Place], list[DrawnMark]]:
    """Put marks on the metal, each drawn to a dot or corner where there is one within reach, if asked."""
    places: list[Place] = []
    drawn: list[DrawnMark] = []
    for mark in marks_px:
        feature = draw_to_feature(look.photo, mark) if look.photo is not None and draws else None
        if feature is None:
            places.append(place(look, mark, placing_px))
            continue
        feature = _seen_square(look, feature)
        used = np.array([feature.u, feature.v])
        places.append(place(look, used, feature.sigma_px))
        placed = (float(mark[0]), float(mark[1]))
        drawn.append(DrawnMark(placed, (feature.u, feature.v), feature.kind, feature.sigma_px))
    return places, drawn


def _seen_square(look: Look, feature: Feature) -> Feature:
    """Move a dot's centre from the middle of the ellipse that is seen to that of the dot on its metal."""
    head = look.surface.head
    if head is None or feature.kind != "dot":
        return feature
    sheet, _ = _local_sheet(look.surface, np.array([feature.u, feature.v]))
    x, y = look.rays.direction(np.array([feature.u]), np.array([feature.v]))
    return on_plane(feature, head.camera.lens, normals_on(sheet, x, y)[0])


def _local_sheet(surface: Surface, mark_px: Array) -> tuple[Sheet, float]:
    height, width = surface.shape
    u, v = mark_px
    for radius in _LOCAL_RADII_PX:
        first_u, first_v = max(int(u) - radius, 0), max(int(v) - radius, 0)
        last_u, last_v = min(int(u) + radius + 1, width - 1), min(int(v) + radius + 1, height - 1)
        columns, rows = np.meshgrid(np.arange(first_u, last_u + 1), np.arange(first_v, last_v + 1))
        near = np.hypot(columns - u, rows - v) <= radius
        points = ray_points(surface, near, top_left=(first_u, first_v))
        right, below = points.u > u, points.v > v
        quadrants = {(bool(a), bool(b)) for a, b in zip(right, below, strict=True)}
        if len(points) >= _LEAST_LOCAL_POINTS and len(quadrants) >= 3:
            return fit_sheet(points, 2), float(radius)
    raise NotMeasurable("too few points round a mark: the surface there can't be told")
