"""Kernels that turn pattern columns into points and their noise along the ray.

With the pixel's ray X = t (x, y, 1), the projector's pose R, T, p = R (x, y, 1) and the plane of constant
column m = (c · width − cx) / fx, a projector without distortion meets the ray at::

    t = (m Tz − Tx) / (p0 − m p2)             dt/dm = (Tz p0 − Tx p2) / (p0 − m p2)²

With distortion the surface of constant column is curved; s = 1/t is then found by Newton's method from
``m = distorted x of ((p0 + s Tx) / (p2 + s Tz), (p1 + s Ty) / (p2 + s Tz))``, which is nearly straight in s.

Rows are worked in short stretches and one array at a time: each small loop then runs in vector registers.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
from numba import prange

from fringewise.core.flags import Flag
from fringewise.core.kernels import kernel

Line = npt.NDArray[Any]

STRETCH: Final = 256
_OUTSIDE: Final = np.uint16(Flag.OUTSIDE_RANGE)
_NONE: Final = np.uint16(Flag.NO_SURFACE)
_ONE: Final = np.float32(1.0)
_NAN: Final = np.float32(np.nan)
_NEWTON_STEPS: Final = 30
_LAST_STEP: Final = 1e-7
"""A Newton step this small, relative to 1/t, leaves an error of about its square."""


@kernel()
def _depths(
    x: Line, y: Line, column: Line, depth: Line, inverse: Line, scale: float, shift: float, pose: Line
) -> None:
    """Depth t and 1/(p0 − m p2) of one stretch; the latter is NaN for points behind the head."""
    r00, r01, r02 = pose[0, 0], pose[0, 1], pose[0, 2]
    r20, r21, r22 = pose[2, 0], pose[2, 1], pose[2, 2]
    tx, tz = pose[0, 3], pose[2, 3]
    for n in range(column.size):
        m = column[n] * scale - shift
        x8 = np.float64(x[n])
        y8 = np.float64(y[n])
        over = _ONE / np.float32((r00 * x8 + r01 * y8 + r02) - m * (r20 * x8 + r21 * y8 + r22))
        t = np.float32(m * tz - tx) * over
        depth[n] = t
        inverse[n] = over if t > 0 else _NAN


@kernel()
def _sigmas(x: Line, y: Line, column_sigma: Line, inverse: Line, sigma: Line, factor: Line) -> None:
    """σ along the ray of one stretch: |d| · |dt/dm| · σ_m, with factor = (Tz R0 − Tx R2) · width / fx."""
    fx, fy, f0 = factor[0], factor[1], factor[2]
    for n in range(sigma.size):
        length = np.sqrt(_ONE + x[n] * x[n] + y[n] * y[n])
        sigma[n] = column_sigma[n] * abs(fx * x[n] + fy * y[n] + f0) * (inverse[n] * inverse[n]) * length


@kernel()
def _points(x: Line, y: Line, depth: Line, xyz: Line) -> None:
    for n in range(depth.size):
        t = depth[n] if depth[n] > 0 else _NAN
        xyz[3 * n] = t * x[n]
        xyz[3 * n + 1] = t * y[n]
        xyz[3 * n + 2] = t


@kernel()
def _flags(depth: Line, flags: Line, found: Line, near: np.float32, far: np.float32) -> None:
    for n in range(depth.size):
        t = depth[n]
        flag = flags[n]
        if t < near or t > far:
            flag = np.uint16(flag | _OUTSIDE)
        if t != t:  # noqa: PLR0124 - the quickest way to tell NaN in a vector loop
            flag = np.uint16(flag | _NONE)
        found[n] = flag


@kernel(parallel=True)
def straight_depth(
    rays: tuple[Line, Line],
    given: tuple[Line, Line, Line],
    optics: tuple[float, float, Line, Line],
    limits: tuple[np.float32, np.float32],
    made: tuple[Line, Line, Line],
    bands: int,
) -> None:
    """Points, σ and flags for a projector without distortion; all arrays flat, xyz three times as long.

    `rays` x, y; `given` and `made` column or xyz, sigma, flags; `optics` width/fx, cx/fx, (R T), σ's factor.
    """
    x, y = rays
    column, column_sigma, flags = given
    scale, shift, pose, factor = optics
    near, far = limits
    xyz, sigma, found = made
    size = column.size
    for band in prange(bands):
        depth = np.empty(STRETCH, np.float32)
        inverse = np.empty(STRETCH, np.float32)
        end = (band + 1) * size // bands
        for i in range(band * size // bands, end, STRETCH):
            j = min(i + STRETCH, end)
            t = depth[: j - i]
            _depths(x[i:j], y[i:j], column[i:j], t, inverse, scale, shift, pose)
            _sigmas(x[i:j], y[i:j], column_sigma[i:j], inverse, sigma[i:j], factor)
            _points(x[i:j], y[i:j], t, xyz[3 * i : 3 * j])
            _flags(t, flags[i:j], found[i:j], near, far)


@kernel()
def _distorted_x(x: float, y: float, k: Line) -> tuple[float, float, float]:
    """Give x' of the lens model of format 2 and its derivatives by x and y."""
    r2 = x * x + y * y
    upper = 1 + r2 * (k[0] + r2 * (k[1] + r2 * k[4]))
    lower = 1 + r2 * (k[5] + r2 * (k[6] + r2 * k[7]))
    radial = upper / lower
    upper_slope = k[0] + r2 * (2 * k[1] + 3 * k[4] * r2)
    lower_slope = k[5] + r2 * (2 * k[6] + 3 * k[7] * r2)
    slope = (upper_slope - radial * lower_slope) / lower
    value = x * radial + 2 * k[2] * x * y + k[3] * (r2 + 2 * x * x)
    by_x = radial + 2 * x * x * slope + 2 * k[2] * y + 6 * k[3] * x
    by_y = 2 * x * y * slope + 2 * k[2] * x + 2 * k[3] * y
    return value, by_x, by_y


@kernel()
def _curved(m: float, p: tuple[float, float, float], pose: Line, k: Line) -> tuple[float, float]:
    """Depth t at which a ray meets the curved surface of column m, and dt/dm; NaN where there is none."""
    p0, p1, p2 = p
    tx, ty, tz = pose[0, 3], pose[1, 3], pose[2, 3]
    s = (p0 - m * p2) / (m * tz - tx)
    for _ in range(_NEWTON_STEPS):
        over = 1 / (p2 + s * tz)
        x = (p0 + s * tx) * over
        y = (p1 + s * ty) * over
        value, by_x, by_y = _distorted_x(x, y, k)
        straight_slope = (tx - x * tz) * over
        slope = by_x * straight_slope + by_y * (ty - y * tz) * over
        step = (value - m) / slope
        s -= step
        if abs(step) <= _LAST_STEP * abs(s):
            if slope * straight_slope > 0:  # else beyond the fold of the lens model
                return 1 / s, -1 / (s * s * slope)
            break
    return np.nan, np.nan


@kernel(parallel=True)
def curved_depth(
    rays: tuple[Line, Line],
    given: tuple[Line, Line, Line],
    optics: tuple[float, float, Line, Line],
    limits: tuple[np.float32, np.float32],
    made: tuple[Line, Line, Line],
    bands: int,
) -> None:
    """Points, σ and flags for a projector with distortion: the eight terms stand in the factor's place."""
    x, y = rays
    column, column_sigma, flags = given
    scale, shift, pose, distortion = optics
    near, far = limits
    xyz, sigma, found = made
    size = column.size
    for band in prange(bands):
        for n in range(band * size // bands, (band + 1) * size // bands):
            x8 = np.float64(x[n])
            y8 = np.float64(y[n])
            p0 = pose[0, 0] * x8 + pose[0, 1] * y8 + pose[0, 2]
            p1 = pose[1, 0] * x8 + pose[1, 1] * y8 + pose[1, 2]
            p2 = pose[2, 0] * x8 + pose[2, 1] * y8 + pose[2, 2]
            t, slope = _curved(column[n] * scale - shift, (p0, p1, p2), pose, distortion)
            flag = flags[n]
            if t < near or t > far:
                flag = np.uint16(flag | _OUTSIDE)
            if np.isnan(t):
                flag = np.uint16(flag | _NONE)
            found[n] = flag
            t = t if t > 0 else np.nan
            xyz[3 * n] = t * x8
            xyz[3 * n + 1] = t * y8
            xyz[3 * n + 2] = t
            length = np.sqrt(1 + x8 * x8 + y8 * y8)
            sigma[n] = column_sigma[n] * scale * abs(slope) * length if t > 0 else np.nan
