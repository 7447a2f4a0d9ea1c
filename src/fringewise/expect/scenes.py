"""For each kind that can be expected: a damage of a given size, and marks round it as a person sets them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.expect.stand_in import Height


@dataclass(frozen=True, slots=True)
class Sketch:
    """A damage on the stand-in's plane and its marks, all in mm.

    Attributes
    ----------
    height : callable
        Over the plane, towards the head.
    marks : mapping of str to (N, 2) array
        Places (a, b) by the marks' names of format 3.
    ink : callable, optional
        How far inside a dark marking places lie.
    answers : mapping
        Answers of the finding, such as ``whole_extent_in_view``.
    """

    height: Height
    marks: Mapping[str, Array]
    ink: Callable[[Array, Array], Array] | None = None


Drawn = Callable[[float, float, float], Sketch]
"""Makes a sketch from the size, the extent and the radius of the dots that marks lie on (0: none), mm."""

_MARKS_ROUND: Final = 10


def _flat(a: Array, _b: Array) -> Array:
    return np.zeros_like(a)


def _dots(places: Array, radius: float) -> Callable[[Array, Array], Array] | None:
    if radius <= 0:
        return None

    def inside(a: Array, b: Array) -> Array:
        apart: Array = np.full_like(a, np.inf)
        for s, t in places:
            apart = np.minimum(apart, np.hypot(a - s, b - t))
        return radius - apart

    return inside


def _round(radius: float) -> Array:
    turn = np.arange(_MARKS_ROUND) * 2 * np.pi / _MARKS_ROUND
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


def _square(side: float, middle: tuple[float, float] = (0.0, 0.0)) -> Array:
    return np.asarray(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side / 2 + np.array(middle))


def _distance(size: float, _extent: float, dot: float) -> Sketch:
    ends = np.array([[-size / 2, 0.0], [size / 2, 0.0]])
    return Sketch(_flat, {"ends_px": ends}, _dots(ends, dot))


def _offset(size: float, extent: float, dot: float) -> Sketch:
    line, point = np.array([[0.0, -extent / 2], [0.0, extent / 2]]), np.array([[size, 0.0]])
    ink = _dots(np.vstack([line, point]), dot)
    return Sketch(_flat, {"line_px": line, "point_px": point}, ink)


def _area(size: float, _extent: float, dot: float) -> Sketch:
    corners = _square(float(np.sqrt(size)))
    return Sketch(_flat, {"outline_px": corners}, _dots(corners, dot))


def _path(size: float, _extent: float, _dot: float) -> Sketch:
    """Four straight parts that turn by 30° at each mark, as a line along a feature does."""
    part, lean = size / 4, np.radians(15.0)
    along = part * np.cos(lean) * np.arange(-2, 3)
    return Sketch(_flat, {"path_px": np.column_stack([along, part * np.sin(lean) * (np.arange(5) % 2)])})


def _dent(size: float, extent: float, _dot: float) -> Sketch:
    def height(a: Array, b: Array) -> Array:
        reach = np.minimum(np.hypot(a, b) / (extent / 2), 1.0)
        return np.asarray(-size * np.cos(np.pi / 2 * reach) ** 2)

    return Sketch(height, {"outline_px": _round(0.62 * extent)})


def _gouge(size: float, extent: float, _dot: float) -> Sketch:
    half = max(0.25, 2.5 * size)

    def height(a: Array, b: Array) -> Array:
        across = np.minimum(np.abs(b) / half, 1.0)
        ends = np.clip((extent / 2 - np.abs(a)) / half + 0.5, 0, 1)
        return np.asarray(-size * np.cos(np.pi / 2 * across) ** 2 * ends)

    return Sketch(
        height, {"path_px": np.column_stack([np.linspace(-extent / 2, extent / 2, 3), np.zeros(3)])}
    )


def _step(size: float, extent: float, _dot: float) -> Sketch:
    wall = 0.15 + size / 2

    def height(a: Array, _b: Array) -> Array:  # both faces are flat: what the stand-in bends is taken out
        return np.asarray(size * np.clip(a / wall + 0.5, 0, 1) + a * a / 60.0)

    place = wall + 0.25 + extent / 2
    return Sketch(
        height, {"lower_px": _square(extent, (-place, 0.0)), "upper_px": _square(extent, (place, 0.0))}
    )


def _flat_face(_size: float, extent: float, _dot: float) -> Sketch:
    def height(a: Array, _b: Array) -> Array:
        return np.asarray(a * a / 60.0)

    return Sketch(height, {"outline_px": _square(extent)})


def _sphere(size: float, _extent: float, _dot: float) -> Sketch:
    radius = size / 2

    def height(a: Array, b: Array) -> Array:
        off = np.minimum(np.hypot(a, b), 0.9 * radius)
        return np.asarray(np.sqrt(radius**2 - off**2) - radius + a * a / 60.0)

    return Sketch(height, {"outline_px": _round(0.55 * radius)})


@dataclass(frozen=True, slots=True)
class Expectable:
    """A kind whose uncertainty can be expected: the quantity that `size` is, and how to sketch it.

    Attributes
    ----------
    quantity, unit : str
    extent : callable
        Usual extent (mm) of a damage of a size at a stand-off, where none is given.
    sketch : callable
    """

    quantity: str
    unit: str
    extent: Callable[[float, float], float]
    sketch: Drawn


EXPECTABLE: Final[Mapping[str, Expectable]] = {
    "distance": Expectable("straight", "mm", lambda size, _z: size, _distance),
    "offset": Expectable("offset", "mm", lambda size, _z: max(1.5 * size, 1.0), _offset),
    "area": Expectable("area", "mm²", lambda size, _z: float(np.sqrt(size)), _area),
    "path": Expectable("length", "mm", lambda size, _z: size, _path),
    "dent": Expectable("depth", "mm", lambda size, _z: max(8 * size, 1.0), _dent),
    "gouge": Expectable("depth", "mm", lambda size, _z: max(12 * size, 2.0), _gouge),
    "step": Expectable("step", "mm", lambda _size, z: 0.14 * z, _step),
    "flat": Expectable("flatness", "mm", lambda _size, z: 0.4 * z, _flat_face),
    "sphere": Expectable("diameter", "mm", lambda size, _z: size, _sphere),
}
"""Each kind that can be expected, with what `size` means for it."""
