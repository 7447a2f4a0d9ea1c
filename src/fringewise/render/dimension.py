"""Sizes as dimension lines of a technical drawing: extension lines, slender arrows, the value on a plate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon

from fringewise.core.checks import Array
from fringewise.render.marks import cased
from fringewise.render.page import POINTS_AN_INCH, lettering
from fringewise.render.theme import HAIR_PT, LABEL_PT, LIGHT, Theme

_ARROW_LONG_PT: Final = 8.0
_ARROW_HALF_PT: Final = 1.5
_ROOM_FOR_ARROWS_PT: Final = 26.0
_TAIL_PT: Final = 16.0
_GAP_PT: Final = 2.5
_BEYOND_PT: Final = 4.0
_PLATE_GAP_PT: Final = 6.0
_EDGE_PT: Final = 3.0
_PLATE_PAD: Final = 0.22


@dataclass(frozen=True, slots=True)
class Pen:
    """What a dimension is drawn with: its colour, and whether it lies on a photo."""

    color: str
    on_photo: bool
    theme: Theme

    def how(self, width_pt: float = HAIR_PT) -> dict[str, Any]:
        """Give what a line of that width is made with."""
        how: dict[str, Any] = {"color": self.color, "linewidth": width_pt, "zorder": 6}
        if self.on_photo:
            how["path_effects"] = cased(width_pt)
        return how


@dataclass(frozen=True, slots=True)
class Dimension:
    """A dimension line as laid out, in points of the page (1/72 inch, y up).

    Attributes
    ----------
    ends, feet : (2, 2) arrays
        What is measured, and the ends of the dimension line.
    way : (2,) array
        The line's direction.
    words : str
    plate_at : (2,) array
        Middle of the plate that carries the words.
    plate_half : (2,) array
        Half its length and height, along its own words and across them.
    angle_deg : float
        How the words are turned.
    """

    ends: Array
    feet: Array
    way: Array
    words: str
    plate_at: Array
    plate_half: Array
    angle_deg: float

    @property
    def plate_corners(self) -> Array:
        """The plate's corners (4, 2) on the page."""
        turn = np.radians(self.angle_deg)
        along = np.array([np.cos(turn), np.sin(turn)]) * self.plate_half[0]
        across = np.array([-np.sin(turn), np.cos(turn)]) * self.plate_half[1]
        return np.asarray(
            self.plate_at + np.array([along + across, along - across, -along - across, across - along])
        )

    @property
    def arrows_inside(self) -> bool:
        """Whether there is room for the arrows between the ends."""
        return float(np.hypot(*(self.feet[1] - self.feet[0]))) >= _ROOM_FOR_ARROWS_PT


def page_points(axes: Axes, points: Array) -> Array:
    """Turn data coordinates (N, 2) into points of the page (1/72 inch)."""
    return np.asarray(axes.transData.transform(points)) * (POINTS_AN_INCH / axes.figure.dpi)


def data_points(axes: Axes, points: Array) -> Array:
    """Turn points of the page (N, 2) into data coordinates."""
    return np.asarray(axes.transData.inverted().transform(points * (axes.figure.dpi / POINTS_AN_INCH)))


def lay_dimension(
    axes: Axes,
    ends: Array,
    words: str,
    *,
    aside_pt: float,
    along: Array | None = None,
    level: bool = False,
    slide: float = 0.0,
) -> Dimension:
    """Lay out the size between two ends, its line moved aside so that it runs clear of what is measured.

    Words that are too long for the line stand beside it, on the side away from what is measured.

    Parameters
    ----------
    ends : (2, 2) array
        Data coordinates.
    words : str
    aside_pt : float
        Points of the page from the middle of the ends, positive to the left of the line's direction.
    along : (2,) array, optional
        The line's direction on the page; from the first end to the second by default.
    level : bool
        Words beside the line stand level instead of along it.
    slide : float
        Share of half the words' length by which words beside the line are moved along it.
    """
    points = page_points(axes, ends)
    way = points[1] - points[0] if along is None else along
    way = way / max(float(np.hypot(*way)), 1e-9)
    left = np.array([-way[1], way[0]])
    height = float(points.mean(axis=0) @ left) + aside_pt
    feet = points + (height - points @ left)[:, None] * left
    half = words_size_pt(axes, words, LABEL_PT) / 2 + _PLATE_PAD * LABEL_PT
    middle = feet.mean(axis=0)
    angle = (float(np.degrees(np.arctan2(way[1], way[0]))) + 90) % 180 - 90
    if float(np.hypot(*(feet[1] - feet[0]))) >= 2 * (half[0] + _ARROW_LONG_PT + _GAP_PT):
        return Dimension(points, feet, way, words, middle, half, angle)
    out = left if aside_pt >= 0 else -left
    reach = float(np.abs(out) @ half) if level else float(half[1])
    beside = middle + (_PLATE_GAP_PT + reach) * out + slide * half[0] * way
    return Dimension(points, feet, way, words, beside, half, 0.0 if level else angle)


def draw_dimension(
    axes: Axes,
    dimension: Dimension,
    pen: Pen,
    *,
    goes_on: bool = False,
    extend: tuple[bool, bool] = (True, True),
) -> None:
    """Draw a dimension.

    `goes_on`: the thing may go on beyond its ends, which are then dotted. `extend`: whether each end has an
    extension line; one that lies on a line already needs none.
    """
    for end, foot, wanted in zip(dimension.ends, dimension.feet, extend, strict=True):
        if wanted:
            _extension(axes, end, foot, pen)
    _arrows(axes, dimension, pen)
    if goes_on:
        for foot, out in zip(dimension.feet, _outwards(dimension), strict=True):
            line = data_points(axes, np.array([foot, foot + 1.5 * _TAIL_PT * out]))
            axes.plot(line[:, 0], line[:, 1], linestyle=":", **pen.how(1.3))
    place = data_points(axes, dimension.plate_at[None, :])[0]
    plate(axes, (float(place[0]), float(place[1])), dimension.words, pen.theme, angle_deg=dimension.angle_deg)


def clear_of(axes: Axes, points: Array, ends: Array, along: Array, side: int, gap_pt: float) -> float:
    """Give how far aside a dimension line must run to pass clear of points, `side` +1 being left."""
    way = along / max(float(np.hypot(*along)), 1e-9)
    left = np.array([-way[1], way[0]])
    middle = float(page_points(axes, ends).mean(axis=0) @ left)
    reach = page_points(axes, points) @ left - middle
    return float(reach.max() + gap_pt if side > 0 else reach.min() - gap_pt)


def crowding(axes: Axes, dimensions: Sequence[Dimension]) -> float:
    """Say how badly plates lie over each other or outside the axes, in points; 0 is well."""
    corners = page_points(axes, np.array([axes.get_xlim(), axes.get_ylim()]).T)
    low, high = corners.min(axis=0) + _EDGE_PT, corners.max(axis=0) - _EDGE_PT
    total = 0.0
    for n, one in enumerate(dimensions):
        plate_corners = one.plate_corners
        total += float(np.maximum(low - plate_corners, 0).max() + np.maximum(plate_corners - high, 0).max())
        total += sum(overlap(plate_corners, other.plate_corners) for other in dimensions[n + 1 :])
    return total


def overlap(first: Array, second: Array) -> float:
    """How deep two convex shapes (N, 2), such as plates, lie in each other; 0 where they are apart.

    Examples
    --------
    >>> square = np.array([[0.0, 0], [0, 2], [2, 2], [2, 0]])
    >>> overlap(square, square + [1.5, 0]), overlap(square, square + [0, 3])
    (0.5, 0.0)
    """
    depth = np.inf
    for shape in (first, second):
        sides = np.roll(shape, -1, axis=0) - shape
        for side in sides / np.maximum(np.linalg.norm(sides, axis=1, keepdims=True), 1e-9):
            across = np.array([-side[1], side[0]])
            one, other = first @ across, second @ across
            depth = min(depth, one.max() - other.min(), other.max() - one.min())
    return max(float(depth), 0.0)


def words_size_pt(axes: Axes, words: str, size: float) -> Array:
    """Measure words on the page: width and height in points."""
    probe = axes.text(0, 0, words, **lettering(LIGHT, size=size))
    extent = probe.get_window_extent(axes.figure.canvas.get_renderer())  # type: ignore[attr-defined]  # Agg's
    probe.remove()
    return np.array([extent.width, extent.height]) * (POINTS_AN_INCH / axes.figure.dpi)


def plate(
    axes: Axes,
    place: tuple[float, float],
    words: str,
    theme: Theme,
    *,
    angle_deg: float = 0.0,
    size: float = LABEL_PT,
) -> None:
    """Write words on a small plate of the page's own colour, so that they are read on any metal."""
    axes.text(
        *place,
        words,
        rotation=angle_deg,
        rotation_mode="anchor",
        bbox={"boxstyle": f"square,pad={_PLATE_PAD}", "facecolor": theme.paper, "edgecolor": "none"},
        zorder=7,
        clip_on=False,
        **lettering(theme, size=size, align="center", base="center_baseline"),
    )


def _extension(axes: Axes, end: Array, foot: Array, pen: Pen) -> None:
    """The thin line from a thing's end to just beyond the dimension line; none where it would be a stub."""
    away = foot - end
    length = float(np.hypot(*away))
    if length < 2 * _GAP_PT:
        return
    out = away / length
    line = data_points(axes, np.array([end + _GAP_PT * out, foot + _BEYOND_PT * out]))
    axes.plot(line[:, 0], line[:, 1], solid_capstyle="butt", **pen.how())


def _arrows(axes: Axes, dimension: Dimension, pen: Pen) -> None:
    """The dimension line with its arrows: between the ends, or from outside where there is no room."""
    inside, outwards = dimension.arrows_inside, _outwards(dimension)
    line = data_points(axes, dimension.feet if inside else dimension.feet + _TAIL_PT * outwards)
    axes.plot(line[:, 0], line[:, 1], solid_capstyle="butt", **pen.how())
    square = np.array([-dimension.way[1], dimension.way[0]]) * _ARROW_HALF_PT
    for tip, out in zip(dimension.feet, outwards, strict=True):
        back = tip - (out if inside else -out) * _ARROW_LONG_PT
        corners = data_points(axes, np.array([tip, back + square, back - square]))
        axes.add_patch(Polygon(corners, closed=True, facecolor=pen.color, edgecolor="none", zorder=6))


def _outwards(dimension: Dimension) -> Array:
    """From the middle of the line out, at each foot (2, 2)."""
    forward = (dimension.feet[1] - dimension.feet[0]) @ dimension.way >= 0
    return np.array([-dimension.way, dimension.way]) * (1.0 if forward else -1.0)
