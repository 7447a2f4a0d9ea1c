"""Kernels that turn pattern columns into points and their noise along the ray.

With the pixel's ray X = t (x, y, 1), the projector's pose R, T, p = R (x, y, 1) and the plane of constant
column m = (c · width − cx) / fx, a projector without distortion meets the ray at::

    t = (m Tz − Tx) / (p0 − m p2)             dt/dm = (Tz p0 − Tx p2) / (p0 − m p2)²

With distortion the surface of constant column is curved; s = 1/t is then found by Newton's method from
``m = distorted x of ((p0 + s Tx) / (p2 + s Tz), (p1 + s Ty) / (p2 + s Tz))``, which is nearly straight in s:
two or three steps do, taken by a whole stretch at once until all of it has settled.

A single loop does a projector without distortion, so that arithmetic hides behind fetching and writing. The
other's rows are worked in short stretches by several loops. All run in vector registers.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.flags import Flag
from fringewise.core.kernels import kernel

Line = npt.NDArray[Any]

STRETCH: Final = 256
_OUTSIDE: Final = np.uint16(Flag.OUTSIDE_RANGE)
_NONE: Final = np.uint16(Flag.NO_SURFACE)
_ONE: Final = np.float32(1.0)
_NAN: Final = np.float32(np.nan)
_NEWTON_STEPS: Final = 30
_LAST_STEP: Final = 1e-5
"""A Newton step this small, relative to 1/t, leaves an error of about its square."""
_P0, _P1, _P2, _M, _S, _SLOPE = range(0, 6 * STRETCH, STRETCH)
_LINES: Final = 6
_EXACT: Final = frozenset({"contract", "nsz", "arcp"})  # NaN must stay NaN
_SUMMING: Final = _EXACT | {"reassoc"}


@kernel(fastmath=_EXACT)
def straight_depth(
    rays: tuple[Line, Line],
    given: tuple[Line, Line, Line],
    optics: tuple[float, float, Line, Line],
    limits: tuple[np.float32, np.float32],
    made: tuple[Line, Line, Line],
    first: int,
    end: int,
) -> None:
    """Points, σ and flags of pixels `first` to `end` − 1 for a projector without distortion.

    All arrays are flat, xyz three times as long. `rays` x, y; `given` and `made` column or xyz, sigma, flags;
    `optics` width/fx, cx/fx, (R T) and σ's factor (Tz R0 − Tx R2) · width / fx: σ = |d| · |dt/dm| · σ_m.
    """
    x, y = rays[0][first:end], rays[1][first:end]
    column, column_sigma, flags = given[0][first:end], given[1][first:end], given[2][first:end]
    scale, shift, pose, factor = optics
    near, far = limits
    xyz, sigma, found = made[0][3 * first : 3 * end], made[1][first:end], made[2][first:end]
    r00, r01, r02 = pose[0, 0], pose[0, 1], pose[0, 2]
    r20, r21, r22 = pose[2, 0], pose[2, 1], pose[2, 2]
    tx, tz = pose[0, 3], pose[2, 3]
    fx, fy, f0 = factor[0], factor[1], factor[2]
    for n in range(column.size):
        m, x8, y8 = column[n] * scale - shift, np.float64(x[n]), np.float64(y[n])
        over = _ONE / np.float32((r00 * x8 + r01 * y8 + r02) - m * (r20 * x8 + r21 * y8 + r22))
        t = np.float32(m * tz - tx) * over
        length = np.sqrt(_ONE + x[n] * x[n] + y[n] * y[n])
        spread = column_sigma[n] * abs(fx * x[n] + fy * y[n] + f0) * (over * over) * length
        flag = flags[n]
        flag = np.uint16(flag | _OUTSIDE) if (t < near) | (t > far) else flag
        found[n] = np.uint16(flag | _NONE) if t != t else flag  # noqa: PLR0124 - NaN: quickest in vector code
        sigma[n] = spread if t > 0 else _NAN
        t = t if t > 0 else _NAN
        xyz[3 * n] = t * x[n]
        xyz[3 * n + 1] = t * y[n]
        xyz[3 * n + 2] = t


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


@kernel()
def _straight_start(
    x: Line, y: Line, column: Line, work: Line, scale: float, shift: float, pose: Line
) -> None:
    """Lay out a stretch for Newton's steps: p, m and where a projector without distortion would meet."""
    tx, tz = pose[0, 3], pose[2, 3]
    for n in range(x.size):
        x8, y8 = np.float64(x[n]), np.float64(y[n])
        p0 = pose[0, 0] * x8 + pose[0, 1] * y8 + pose[0, 2]
        p2 = pose[2, 0] * x8 + pose[2, 1] * y8 + pose[2, 2]
        m = np.float64(column[n]) * scale - shift
        work[_P0 + n] = p0
        work[_P1 + n] = pose[1, 0] * x8 + pose[1, 1] * y8 + pose[1, 2]
        work[_P2 + n] = p2
        work[_M + n] = m
        work[_S + n] = (p0 - m * p2) / (m * tz - tx)


@kernel(fastmath=_SUMMING)
def _newton_step(work: Line, size: int, pose: Line, k: Line) -> Any:
    """Take one of Newton's steps at each pixel of a stretch; gives how many have still to settle.

    `k` are the eight terms of format 2. A step is (x' − m) over its derivative by s, x' being the distorted
    x; the derivative is kept too, as NaN beyond the fold of the lens model and for a step that is not small.
    """
    tx, ty, tz = pose[0, 3], pose[1, 3], pose[2, 3]
    k1, k2, p1, p2, k3, k4, k5, k6 = k[0], k[1], k[2], k[3], k[4], k[5], k[6], k[7]
    unsettled = 0.0
    for n in range(size):
        s = work[_S + n]
        over = 1 / (work[_P2 + n] + s * tz)
        x, y = (work[_P0 + n] + s * tx) * over, (work[_P1 + n] + s * ty) * over
        r2 = x * x + y * y
        under = 1 / (1 + r2 * (k4 + r2 * (k5 + r2 * k6)))
        radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) * under
        bend = (k1 + r2 * (2 * k2 + 3 * k3 * r2) - radial * (k4 + r2 * (2 * k5 + 3 * k6 * r2))) * under
        by_x = radial + 2 * x * x * bend + 2 * p1 * y + 6 * p2 * x
        by_y = 2 * x * y * bend + 2 * p1 * x + 2 * p2 * y
        straight = (tx - x * tz) * over
        slope = by_x * straight + by_y * (ty - y * tz) * over
        step = (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x) - work[_M + n]) / slope
        s -= step
        small = abs(step) <= _LAST_STEP * abs(s)
        work[_S + n] = s
        work[_SLOPE + n] = slope if small & (slope * straight > 0) else np.nan
        unsettled += 1.0 if abs(step) > _LAST_STEP * abs(s) else 0.0
    return unsettled


@kernel()
def _curved_sigmas(
    x: Line, y: Line, column_sigma: Line, work: Line, scale: float, depth: Line, sigma: Line
) -> None:
    """Depth t = 1/s of a stretch and σ along the ray: |d| · |dt/dm| · σ_m with dt/dm = −1 / (s² ds/dm)."""
    for n in range(depth.size):
        x8, y8, s, slope = np.float64(x[n]), np.float64(y[n]), work[_S + n], work[_SLOPE + n]
        t = 1 / (s + 0 * slope)  # NaN where the slope is
        depth[n] = t
        length = np.sqrt(1 + x8 * x8 + y8 * y8)
        sigma[n] = column_sigma[n] * scale * abs(t * t / slope) * length if t > 0 else np.nan


@kernel()
def curved_depth(
    rays: tuple[Line, Line],
    given: tuple[Line, Line, Line],
    optics: tuple[float, float, Line, Line],
    limits: tuple[np.float32, np.float32],
    made: tuple[Line, Line, Line],
    first: int,
    end: int,
) -> None:
    """As `straight_depth` for a projector with distortion: the eight terms stand in the factor's place."""
    x, y = rays
    column, column_sigma, flags = given
    scale, shift, pose, distortion = optics
    near, far = limits
    xyz, sigma, found = made
    depth = np.empty(STRETCH, np.float32)
    work = np.empty(_LINES * STRETCH, np.float64)
    for i in range(first, end, STRETCH):
        j = min(i + STRETCH, end)
        t = depth[: j - i]
        _straight_start(x[i:j], y[i:j], column[i:j], work, scale, shift, pose)
        for _ in range(_NEWTON_STEPS):
            if _newton_step(work, j - i, pose, distortion) == 0:
                break
        _curved_sigmas(x[i:j], y[i:j], column_sigma[i:j], work, scale, t, sigma[i:j])
        _points(x[i:j], y[i:j], t, xyz[3 * i : 3 * j])
        _flags(t, flags[i:j], found[i:j], near, far)
