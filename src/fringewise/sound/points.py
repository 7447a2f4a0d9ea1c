"""Points of a surface as inverse depths over ray directions: the form in which sheets are fitted.

With x = X/Z, y = Y/Z and w = 1/Z a plane is exactly linear in (x, y), and a pixel's noise acts on w alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.lens import Lens
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.surface.surface import Surface

BoolArray = npt.NDArray[np.bool_]
Mapping2 = Callable[[Array, Array], tuple[Array, Array]]

_MAPPING_DEGREE: Final = 5
_MAPPING_ERROR_PX: Final = 0.2


@dataclass(frozen=True, slots=True)
class RayPoints:
    """Points of one surface (N of them), all arrays (N,).

    Attributes
    ----------
    u, v : float
        Pixel coordinates on the photo.
    x, y : float
        Ray directions X/Z and Y/Z.
    inverse_depth : float
        w = 1/Z in 1/mm.
    sigma : float
        Standard uncertainty of w from frame noise, 1/mm.
    """

    u: Array
    v: Array
    x: Array
    y: Array
    inverse_depth: Array
    sigma: Array

    def __len__(self) -> int:
        """Count the points."""
        return len(self.x)

    @property
    def xyz_mm(self) -> Array:
        """The points themselves (N, 3) in the camera frame."""
        return on_rays(self.x, self.y, self.inverse_depth)

    @property
    def range_sigma_mm(self) -> Array:
        """Standard uncertainty of the distance along the ray (N,)."""
        return self.sigma / self.inverse_depth**2 * ray_length(self.x, self.y)

    def where(self, chosen: npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> RayPoints:
        """Give the chosen points only."""
        return RayPoints(
            self.u[chosen], self.v[chosen], self.x[chosen], self.y[chosen],
            self.inverse_depth[chosen], self.sigma[chosen],
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class PixelRays:
    """How photo pixels and ray directions belong together, both ways (any shape)."""

    direction: Mapping2
    pixel: Mapping2


def ray_length(x: Array, y: Array) -> Array:
    """Length of the direction (x, y, 1)."""
    return np.sqrt(x * x + y * y + 1.0)


def on_rays(x: Array, y: Array, inverse_depth: Array) -> Array:
    """Points (…, 3) in mm at inverse depths along the rays (x, y)."""
    rays = np.stack([x, y, np.ones_like(x)], axis=-1)
    return np.asarray(rays / inverse_depth[..., None])


def ray_points(surface: Surface, chosen: BoolArray, *, top_left: tuple[int, int] = (0, 0)) -> RayPoints:
    """Collect the usable points of a surface among the chosen pixels.

    Parameters
    ----------
    surface : Surface
    chosen : (h, w) bool
        Pixels wanted, in a window of the photo.
    top_left : (u, v)
        The window's first pixel.
    """
    first_u, first_v = top_left
    window = np.s_[first_v : first_v + chosen.shape[0], first_u : first_u + chosen.shape[1]]
    rows, columns = np.nonzero(chosen & surface.usable[window])
    xyz: Array = surface.xyz_mm[window][rows, columns].astype(np.float64)
    inverse_depth = 1.0 / xyz[:, 2]
    x, y = xyz[:, 0] * inverse_depth, xyz[:, 1] * inverse_depth
    sigma_range = surface.sigma_mm[window][rows, columns].astype(np.float64)
    sigma = sigma_range / ray_length(x, y) * inverse_depth**2
    u, v = columns.astype(np.float64) + first_u, rows.astype(np.float64) + first_v
    return RayPoints(u, v, x, y, inverse_depth, sigma)


def pixel_rays(surface: Surface) -> PixelRays:
    """Give the mapping between pixels and directions: the head's lens, else one fitted to the points.

    Raises
    ------
    NotMeasurable
        Where there is no head and the points don't lie on the rays of one smooth lens.
    """
    if surface.head is not None:
        lens: Lens = surface.head.camera.lens
        return PixelRays(lens.direction, lens.pixel)
    return _fitted_rays(surface)


def _fitted_rays(surface: Surface) -> PixelRays:
    points = ray_points(surface, np.ones(surface.shape, dtype=bool))
    step = max(1, len(points) // 20_000)
    points = points.where(np.arange(0, len(points), step))
    if len(points) < 100:
        raise NotMeasurable("the surface has too few points to measure on")
    forward = _polynomial_map((points.u, points.v), (points.x, points.y))
    backward = _polynomial_map((points.x, points.y), (points.u, points.v))
    back_u, back_v = backward(points.x, points.y)
    error_px = float(np.sqrt(np.mean((back_u - points.u) ** 2 + (back_v - points.v) ** 2)))
    if error_px > _MAPPING_ERROR_PX:
        raise NotMeasurable(
            "the surface's points don't lie on the rays of one camera "
            f"(off by {error_px:.1f} pixels): give its head, so that marks can be placed on it"
        )
    return PixelRays(forward, backward)


def _polynomial_map(source: tuple[Array, Array], target: tuple[Array, Array]) -> Mapping2:
    low = np.array([s.min() for s in source])
    span = np.maximum([np.ptp(s) for s in source], 1e-9)

    def basis(a: Array, b: Array) -> Array:
        p = 2 * (np.asarray(a, dtype=np.float64) - low[0]) / span[0] - 1
        q = 2 * (np.asarray(b, dtype=np.float64) - low[1]) / span[1] - 1
        return np.asarray(np.polynomial.chebyshev.chebvander2d(p, q, [_MAPPING_DEGREE] * 2))

    coefficients, *_ = np.linalg.lstsq(basis(*source), np.column_stack(target), rcond=None)

    def mapped(a: Array, b: Array) -> tuple[Array, Array]:
        both = basis(a, b) @ coefficients
        return both[..., 0], both[..., 1]

    return mapped
