"""A surface as vertices and triangles: usable points only, no triangle across a step in depth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from fringewise.surface.cleaning import CleaningRule, focal_px
from fringewise.surface.surface import Surface

IndexArray = npt.NDArray[np.int32]
Number = TypeVar("Number", bound=np.generic)
BoolImage = npt.NDArray[np.bool_]

_DEVIATIONS_JOINED = 5.0


@dataclass(frozen=True, slots=True)
class SurfaceMesh:
    """The usable points of a surface and the triangles between neighbours.

    Attributes
    ----------
    rows, columns : (N,) int
        The pixel of each vertex: v and u.
    triangles : (M, 3) int32
        Numbers of vertices; their normals, by the right-hand rule, face the head.
    """

    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    triangles: IndexArray


def surface_mesh(surface: Surface) -> SurfaceMesh:
    """Join the usable points of neighbouring pixels that lie on one surface.

    Two points are joined unless their step in depth needs a face steeper than 80° seen from the head and is
    beyond five standard deviations (as in cleaning).

    Examples
    --------
    >>> xyz = np.zeros((2, 2, 3), dtype=np.float32)
    >>> xyz[..., 0], xyz[..., 1], xyz[..., 2] = [[0, 1], [0, 1]], [[0, 0], [1, 1]], 20
    >>> flat = Surface(xyz, np.full((2, 2), 0.01, np.float32), np.zeros((2, 2), np.uint16))
    >>> surface_mesh(flat).triangles.tolist()
    [[0, 2, 1], [1, 2, 3]]
    """
    usable = surface.usable
    number = np.cumsum(usable.reshape(-1), dtype=np.int32).reshape(usable.shape) - 1
    rows, columns = np.nonzero(usable)
    return SurfaceMesh(rows, columns, _triangles(surface, usable, number))


def _triangles(surface: Surface, usable: BoolImage, number: IndexArray) -> IndexArray:
    """Two triangles for each square of four pixels, split from lower left to upper right where that holds."""
    if not usable.any() or min(usable.shape) < 2:
        return np.empty((0, 3), dtype=np.int32)
    joined = _Joined(surface, usable)
    top, low = joined.between((0, 0), (0, 1)), joined.between((1, 0), (1, 1))
    left, right = joined.between((0, 0), (1, 0)), joined.between((0, 1), (1, 1))
    rising, falling = joined.between((1, 0), (0, 1)), joined.between((0, 0), (1, 1))
    a, b, c, d = number[:-1, :-1], number[:-1, 1:], number[1:, :-1], number[1:, 1:]
    upper, lower = rising & left & top, rising & right & low
    other = ~(upper | lower)
    upper_right, lower_left = other & falling & top & right, other & falling & left & low
    picked = [
        (upper, (a, c, b)),
        (lower, (b, c, d)),
        (upper_right, (a, d, b)),
        (lower_left, (a, c, d)),
    ]
    return np.concatenate(
        [np.stack([part[mask] for part in corners], axis=1) for mask, corners in picked]
    ).astype(np.int32)


class _Joined:
    """Which corners of each square of four pixels lie on one surface."""

    def __init__(self, surface: Surface, usable: BoolImage) -> None:
        self._z = surface.xyz_mm[..., 2].astype(np.float64)
        self._sigma = surface.sigma_mm.astype(np.float64)
        self._usable = usable
        self._slope = math.tan(math.radians(CleaningRule().steepest_deg)) / focal_px(surface)

    def between(self, first: tuple[int, int], second: tuple[int, int]) -> BoolImage:
        apart = math.hypot(first[0] - second[0], first[1] - second[1])
        z, other_z = (self._corner(self._z, at) for at in (first, second))
        sigma, other_sigma = (self._corner(self._sigma, at) for at in (first, second))
        both = self._corner(self._usable, first) & self._corner(self._usable, second)
        with np.errstate(invalid="ignore"):
            reach2 = (self._slope * apart) ** 2 * z * other_z
            noise2 = _DEVIATIONS_JOINED**2 * (sigma**2 + other_sigma**2)
            return np.asarray(both & ((z - other_z) ** 2 <= reach2 + noise2))

    @staticmethod
    def _corner(image: npt.NDArray[Number], at: tuple[int, int]) -> npt.NDArray[Number]:
        height, width = image.shape
        return np.asarray(image[at[0] : height - 1 + at[0], at[1] : width - 1 + at[1]])
