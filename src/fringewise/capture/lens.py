"""The lens model of format 2: pinhole with rational radial and tangential distortion.

With x = X/Z, y = Y/Z, r² = x² + y², L = (1 + k1 r² + k2 r⁴ + k3 r⁶) / (1 + k4 r² + k5 r⁴ + k6 r⁶)::

    x' = x L + 2 p1 x y + p2 (r² + 2 x²)          u = fx x' + cx
    y' = y L + p1 (r² + 2 y²) + 2 p2 x y          v = fy y' + cy
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, finite, positive

DISTORTION_NAMES: Final = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")

_NEWTON_STEPS: Final = 20
_NEWTON_TOLERANCE: Final = 1e-13


@dataclass(frozen=True, slots=True)
class Lens:
    """Intrinsics of a camera or projector; focal lengths and centre in its own image units.

    Attributes
    ----------
    fx, fy, cx, cy : float
        fx and fy above 0. A projector without rows has fy = 1 and cy = 0, which nothing uses.
    distortion : tuple of 8 float
        k1 k2 p1 p2 k3 k4 k5 k6; missing ones are filled up with 0.
    """

    fx: float
    fy: float
    cx: float
    cy: float
    distortion: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        positive("fx", self.fx)
        positive("fy", self.fy)
        finite("cx", self.cx)
        finite("cy", self.cy)
        if len(self.distortion) > len(DISTORTION_NAMES):
            raise ValueError(f"distortion has 8 terms at most (found {len(self.distortion)})")
        for term in self.distortion:
            finite("a distortion term", term)
        filled = (*self.distortion, *(0.0,) * (len(DISTORTION_NAMES) - len(self.distortion)))
        object.__setattr__(self, "distortion", tuple(float(term) for term in filled))

    @property
    def straight(self) -> bool:
        """Whether the lens has no distortion at all."""
        return not any(self.distortion)

    def pixel(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Array, Array]:
        """Image coordinates (u, v) of directions (x, y) = (X/Z, Y/Z); any shape."""
        xd, yd = distort(x, y, self.distortion)
        return self.fx * xd + self.cx, self.fy * yd + self.cy

    def direction(self, u: npt.ArrayLike, v: npt.ArrayLike) -> tuple[Array, Array]:
        """Directions (x, y) = (X/Z, Y/Z) of image coordinates (u, v); NaN where the lens has none."""
        xd = (np.asarray(u, dtype=np.float64) - self.cx) / self.fx
        yd = (np.asarray(v, dtype=np.float64) - self.cy) / self.fy
        return undistort(xd, yd, self.distortion)


def distort(x: npt.ArrayLike, y: npt.ArrayLike, distortion: tuple[float, ...]) -> tuple[Array, Array]:
    """Apply the distortion (8 terms) to directions; any shape.

    Examples
    --------
    >>> x, y = distort(0.1, 0.0, (-0.1, 0, 0, 0, 0, 0, 0, 0))
    >>> round(float(x), 6)
    0.0999
    """
    x = np.asarray(x, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    k1, k2, p1, p2, k3, k4, k5, k6 = distortion
    r2 = x * x + y * y
    radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / (1 + r2 * (k4 + r2 * (k5 + r2 * k6)))
    xy = x * y
    return (
        x * radial + 2 * p1 * xy + p2 * (r2 + 2 * x * x),
        y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * xy,
    )


def distort_jacobian(x: npt.ArrayLike, y: npt.ArrayLike, distortion: tuple[float, ...]) -> Array:
    """Derivatives of `distort`: (…, 2, 2) with rows x', y' and columns x, y."""
    x = np.asarray(x, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    k1, k2, p1, p2, k3, k4, k5, k6 = distortion
    r2 = x * x + y * y
    over = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    under = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
    radial = over / under
    slope = (  # d radial / d r²
        (k1 + r2 * (2 * k2 + 3 * k3 * r2)) * under - over * (k4 + r2 * (2 * k5 + 3 * k6 * r2))
    ) / under**2
    jacobian = np.empty((*x.shape, 2, 2))
    jacobian[..., 0, 0] = radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x
    jacobian[..., 0, 1] = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
    jacobian[..., 1, 0] = jacobian[..., 0, 1]
    jacobian[..., 1, 1] = radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x
    return jacobian


def distort_by_term(
    x: npt.ArrayLike, y: npt.ArrayLike, distortion: tuple[float, ...], index: int
) -> tuple[Array, Array]:
    """Derivatives of `distort` by its term of number `index` (k1 k2 p1 p2 k3 k4 k5 k6), at any shape.

    Examples
    --------
    >>> by_x, by_y = distort_by_term(0.5, 0.0, (0.0,) * 8, 0)  # x r²
    >>> float(by_x), float(by_y)
    (0.125, 0.0)
    """
    x = np.asarray(x, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    k1, k2, _, _, k3, k4, k5, k6 = distortion
    r2 = x * x + y * y
    if index == 2:
        return 2 * x * y, r2 + 2 * y * y
    if index == 3:
        return r2 + 2 * x * x, 2 * x * y
    under = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
    power = r2 ** {0: 1, 1: 2, 4: 3, 5: 1, 6: 2, 7: 3}[index]
    factor = power / under
    if index > 4:
        factor = -factor * (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / under
    return x * factor, y * factor


def undistort(x: npt.ArrayLike, y: npt.ArrayLike, distortion: tuple[float, ...]) -> tuple[Array, Array]:
    """Invert `distort` by Newton's method; NaN where it does not settle to 1e-9, or only beyond the fold.

    Examples
    --------
    >>> terms = (-0.11, 0.035, 0.0006, -0.0004, 0, 0, 0, 0)
    >>> x, y = undistort(*distort(0.4, -0.3, terms), terms)
    >>> bool(abs(x - 0.4) < 1e-12 and abs(y + 0.3) < 1e-12)
    True
    """
    xd = np.asarray(x, dtype=np.float64)
    yd = np.asarray(y, dtype=np.float64)
    if not any(distortion):
        return xd.copy(), yd.copy()
    xs, ys = xd.copy(), yd.copy()
    residual = np.full(xd.shape, np.inf)
    with np.errstate(all="ignore"):
        for _ in range(_NEWTON_STEPS):
            fx, fy = distort(xs, ys, distortion)
            ex, ey = fx - xd, fy - yd
            residual = np.hypot(ex, ey)
            if not np.any(residual > _NEWTON_TOLERANCE):
                break
            jacobian = distort_jacobian(xs, ys, distortion)
            (a, b), (c, d) = np.moveaxis(jacobian, (-2, -1), (0, 1))
            determinant = a * d - b * c
            xs = xs - (d * ex - b * ey) / determinant
            ys = ys - (a * ey - c * ex) / determinant
        jacobian = distort_jacobian(xs, ys, distortion)
        unfolded = (np.linalg.det(jacobian) > 0) & (jacobian[..., 0, 0] + jacobian[..., 1, 1] > 0)
        settled = (residual < 1e-9) & unfolded
    return np.where(settled, xs, np.nan), np.where(settled, ys, np.nan)
