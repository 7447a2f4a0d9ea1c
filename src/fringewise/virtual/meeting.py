"""Where rays meet sheets: the caster says which sheet, the sheet's own formula says where.

Newton's method on X(s, t) = o + τ d: with N = X_s × X_t at the present guess, the tangent plane is met at
τ = N·(X − o) / N·d, and the foot of that point in the plane gives the next (s, t).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.kernels import kernel
from fringewise.virtual.patch import BoolArray, Patch

LOOSE_MM: Final = 2e-3
"""A step along the sheet below this leaves an error below 0.02 µm where curvature is 10 mm⁻¹ or less."""

TIGHT_MM: Final = 1e-5
"""The truth's rays go on until a step is below this; half the curvature by its square is left: below 1e-9."""

_MOST_STEPS: Final = 12
_FARTHEST_STRAY_MM: Final = 0.5


@dataclass(frozen=True, slots=True)
class Meeting:
    """Where N rays meet one sheet.

    Attributes
    ----------
    found : (N,) bool
        False where the ray passes the sheet by; the other fields mean nothing there.
    st : (N, 2) array
    depth : (N,) array
        τ: multiples of the ray's direction; the camera's z in mm for directions with z = 1.
    tangents : (N, 6) array
        ∂X/∂s and ∂X/∂t side by side, part's frame, at the last guess but one.
    """

    found: BoolArray
    st: Array
    depth: Array
    tangents: Array


def meet(
    patch: Patch, origins_mm: Array, directions: Array, start_st: Array, step_below_mm: Array
) -> Meeting:
    """Find where rays meet a sheet by Newton's method from a first guess.

    Parameters
    ----------
    patch : Patch
    origins_mm, directions : (N, 3) arrays
        Rays in the part's frame.
    start_st : (N, 2) array
        First guesses of s and t.
    step_below_mm : (N,) array
        A ray is done after a step along the sheet shorter than this.

    Returns
    -------
    Meeting
        A ray that has not settled within 12 steps, or strays by more than 0.5 mm, counts as passing by.
    """
    n = len(origins_mm)
    st = np.array(start_st, dtype=np.float64)
    depth, tangents = np.empty(n), np.empty((n, 6))
    state = np.zeros(n, dtype=np.int8)
    strayed = np.zeros(n)
    active: npt.NDArray[np.intp] = np.arange(n)
    for _ in range(_MOST_STEPS):
        s, t = st[active, 0], st[active, 1]
        point = patch.point(s, t)
        along_s, along_t = patch.tangents(s, t)
        _newton_step(
            active,
            np.ascontiguousarray(point),
            np.ascontiguousarray(along_s),
            np.ascontiguousarray(along_t),
            origins_mm,
            directions,
            step_below_mm,
            st,
            depth,
            tangents,
            strayed,
            state,
        )
        active = active[state[active] == 0]
        if not active.size:
            break
    return Meeting(state == 1, st, depth, tangents)


@kernel()
def _newton_step(
    active: npt.NDArray[np.intp],
    point: Array,
    along_s: Array,
    along_t: Array,
    origins: Array,
    directions: Array,
    step_below: Array,
    st: Array,
    depth: Array,
    tangents: Array,
    strayed: Array,
    state: npt.NDArray[np.int8],
) -> None:
    for k in range(len(active)):
        i = active[k]
        ax, ay, az = along_s[k, 0], along_s[k, 1], along_s[k, 2]
        bx, by, bz = along_t[k, 0], along_t[k, 1], along_t[k, 2]
        nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        square = nx * nx + ny * ny + nz * nz
        dx, dy, dz = directions[i, 0], directions[i, 1], directions[i, 2]
        qx, qy, qz = point[k, 0] - origins[i, 0], point[k, 1] - origins[i, 1], point[k, 2] - origins[i, 2]
        tau = (nx * qx + ny * qy + nz * qz) / (nx * dx + ny * dy + nz * dz)
        ex, ey, ez = tau * dx - qx, tau * dy - qy, tau * dz - qz
        step = np.sqrt(ex * ex + ey * ey + ez * ez)
        strayed[i] += step
        if not (square > 0.0 and strayed[i] < _FARTHEST_STRAY_MM):
            state[i] = 2
            continue
        # e × b · n / n² and a × e · n / n²
        st[i, 0] += ((ey * bz - ez * by) * nx + (ez * bx - ex * bz) * ny + (ex * by - ey * bx) * nz) / square
        st[i, 1] += ((ay * ez - az * ey) * nx + (az * ex - ax * ez) * ny + (ax * ey - ay * ex) * nz) / square
        depth[i] = tau
        tangents[i, 0], tangents[i, 1], tangents[i, 2] = ax, ay, az
        tangents[i, 3], tangents[i, 4], tangents[i, 5] = bx, by, bz
        if step < step_below[i]:
            state[i] = 1
