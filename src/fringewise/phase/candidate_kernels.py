"""The compiled search among the columns that fit a pixel's phases, for pixels that the first pass left open.

Each whole fringe k of the coarsest set gives a candidate. It is carried through all sets; what the sets then
disagree by, in units of its standard deviation, is its cost. Candidates outside the pattern or outside what
the working range lets the pixel see are dropped. Arithmetic is float64, phases are in turns.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.flags import Flag
from fringewise.core.kernels import kernel

Array = npt.NDArray[Any]

_DOUBTFUL, _RIM = np.uint16(Flag.DOUBTFUL_ORDER), np.uint16(Flag.RIM)
_KEPT: Final = np.uint16(0xFFFF ^ int(Flag.DOUBTFUL_ORDER | Flag.RIM))
_CLOSE_CALL: Final = 0.4  # turns; as in the first pass
_SLACK_VAR: Final = 0.01**2  # turns²: what sets may disagree by without noise (response, defocus)
_MOST_CANDIDATES: Final = 4096
_NEVER: Final = 1e300


@kernel()
def phases_at(
    base: Array,
    starts: Array,
    first: Array,
    solve: Array,
    factors: Array,
    noise: Array,
    pixel: int,
    out: Array,
) -> None:
    """Phase and its variance (turns, turns²) of each set at one pixel, into `out` (S, 2)."""
    for s in range(factors.shape[0]):
        mean, cosine, sine = 0.0, 0.0, 0.0
        for f in range(first[s], first[s + 1]):
            level = float(base[starts[f] + pixel])
            mean += solve[f, 0] * level
            cosine += solve[f, 1] * level
            sine += solve[f, 2] * level
        var = noise[0] + noise[1] * max(mean - noise[2], 0.0)
        k = factors[s]
        var_cc = var * k[0] + noise[1] * (cosine * k[3] + sine * k[6])
        var_cs = var * k[1] + noise[1] * (cosine * k[4] + sine * k[7])
        var_ss = var * k[2] + noise[1] * (cosine * k[5] + sine * k[8])
        square = max(cosine * cosine + sine * sine, 1e-20)
        spread = sine * sine * var_cc - 2 * cosine * sine * var_cs + cosine * cosine * var_ss
        out[s, 0] = (np.arctan2(sine, cosine) / (2 * np.pi)) % 1.0
        out[s, 1] = spread / (square * square) / (4 * np.pi**2)


@kernel()
def carry(order: float, phases: Array, fringes: Array, out: Array) -> None:
    """Carry a candidate through the sets: its column, its cost and its greatest disagreement into `out`."""
    column = (phases[0, 0] + order) / fringes[0]
    column_var = phases[0, 1] / fringes[0] ** 2
    cost, greatest = 0.0, 0.0
    for s in range(1, fringes.size):
        apart = column * fringes[s] - phases[s, 0]
        whole = np.floor(apart + 0.5)
        off = apart - whole
        cost += off * off / (column_var * fringes[s] ** 2 + phases[s, 1] + _SLACK_VAR)
        greatest = max(greatest, abs(off))
        column = (phases[s, 0] + whole) / fringes[s]
        column_var = phases[s, 1] / fringes[s] ** 2
    out[0], out[1], out[2] = column, cost, greatest


@kernel()
def search(phases: Array, fringes: Array, seen: Array, sigmas: float, trial: Array, best: Array) -> None:
    """Find the cheapest candidate within `seen`; `best`: its column, cost, disagreement, next cost."""
    last = fringes.size - 1
    wide = sigmas * np.sqrt(phases[0, 1]) / fringes[0]
    near = sigmas * np.sqrt(phases[last, 1]) / fringes[last]
    lowest = np.ceil((seen[0] - wide) * fringes[0] - phases[0, 0])
    highest = np.floor((seen[1] + wide) * fringes[0] - phases[0, 0])
    best[0], best[1], best[2], best[3] = np.nan, _NEVER, 1.0, _NEVER
    for k in range(int(min(highest - lowest + 1, _MOST_CANDIDATES))):
        carry(lowest + k, phases, fringes, trial)
        if not (seen[0] - near <= trial[0] <= seen[1] + near):
            continue
        if trial[1] < best[1]:
            best[3] = best[1]
            best[0], best[1], best[2] = trial[0], trial[1], trial[2]
        else:
            best[3] = min(best[3], trial[1])
    if highest - lowest + 1 > _MOST_CANDIDATES:
        best[3] = best[1]


@kernel()
def settle_open(
    base: Array, starts: Array, first: Array, solve: Array, factors: Array, fringes: Array, noise: Array,
    reach: Array, spacing: int, limits: Array, top: int, bottom: int,
    column: Array, risk: Array, flags: Array,
) -> Any:  # fmt: skip
    """Settle the pixels that carry RIM in rows `top` to `bottom` − 1; gives how many stay unsettled.

    `reach` (2, h, w) is the least and greatest pattern column that the working range shows, on a grid of
    every `spacing`-th pixel; `noise` is read variance, gain, dark level; `limits` is how many standard
    deviations a candidate may lie outside and the greatest risk. An unsettled pixel keeps RIM where the
    coarsest set has fewer than two fringes, else it gets DOUBTFUL_ORDER; its column is the cheapest
    candidate, NaN without one.
    """
    phases, trial, best, seen = np.empty((fringes.size, 2)), np.empty(3), np.empty(4), np.empty(2)
    unsettled = 0
    for y in range(top, bottom):
        for x in range(column.shape[1]):
            if not flags[y, x] & _RIM:
                continue
            phases_at(base, starts, first, solve, factors, noise, y * column.shape[1] + x, phases)
            i, j = y // spacing, x // spacing
            v, u = y / spacing - i, x / spacing - j
            for side in range(2):
                upper = (1 - u) * reach[side, i, j] + u * reach[side, i, j + 1]
                lower = (1 - u) * reach[side, i + 1, j] + u * reach[side, i + 1, j + 1]
                seen[side] = (1 - v) * upper + v * lower
            search(phases, fringes, seen, limits[0], trial, best)
            chance = min(1.0, risk[y, x] + np.exp(-0.5 * (best[3] - best[1])))
            column[y, x], risk[y, x] = best[0], chance
            flags[y, x] &= _KEPT
            if chance > limits[1]:
                flags[y, x] |= _RIM if fringes[0] < 2 else _DOUBTFUL
                unsettled += 1
            elif best[2] > _CLOSE_CALL:
                flags[y, x] |= _DOUBTFUL
    return unsettled
