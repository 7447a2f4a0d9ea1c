"""The compiled heart of decoding: one pass over the frames gives column, variance, risk and flags.

Stretches of a row go through short loops that the compiler turns into vector code: frames → mean and fringe
vector (least squares, any shifts), fringe vector → phase and its variance, phases → unwrapped column. What
passes between the loops lies in one small array of lines at fixed places: so the compiler sees that they
don't overlap. `fringewise.phase.rows` hands bands of rows to ordinary threads, which compiles in half the
time of a parallel loop and needs no threading layer. Phases are in turns (1 = 2π rad) in here; arithmetic is
float32.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.flags import Flag
from fringewise.core.kernels import kernel

_F = np.float32
_ZERO, _HALF, _ONE, _QUARTER = _F(0), _F(0.5), _F(1), _F(0.25)
_TINY: Final = _F(1e-20)
_NAN: Final = _F(np.nan)
_TINY_ROOT: Final = _F(1e-10)
_TURNS2: Final = _F(1 / (4 * np.pi**2))
_EIGHTH_LOG2_E: Final = _F(np.log2(np.e) / 8)
_ROOT_32TH: Final = _F(np.sqrt(1 / 32))
_LEAST_STEP_VAR, _MOST_STEP_VAR = _F(1 / 640), _F(1e6)  # e^-80 is as good as never, still an ordinary float32
_CLOSE_CALL: Final = _F(0.4)  # turns by which two sets may disagree; at 0.5 the next fringe fits as well

_SATURATED, _DARK, _NOISY = np.uint16(Flag.SATURATED), np.uint16(Flag.DARK), np.uint16(Flag.NOISY_PHASE)
_DOUBTFUL, _RIM, _NOTHING = np.uint16(Flag.DOUBTFUL_ORDER), np.uint16(Flag.RIM), np.uint16(0)

# Least-maximum fits made for this file: arctangent on 0 … 1 in turns (error 2e-6 rad), exp(x²) erfc(x) over
# 1/(1 + x/2) (1e-4 of the value, x up to 12), 2^x on 0 … 1 (7e-5 of the value).
_A0, _A1, _A2 = _F(0.15915131730), _F(-0.05293856519), _F(0.03080289529)
_A3, _A4, _A5 = _F(-0.01852982058), _F(0.00837905528), _F(-0.00186514664)
_E0, _E1, _E2, _E3, _E4 = _F(0.28043995), _F(0.30613555), _F(0.12328474), _F(0.45333648), _F(-0.16308705)
_X0, _X1, _X2, _X3 = _F(0.99992531), _F(0.69583283), _F(0.22606864), _F(0.07802367)

_STRETCH: Final = 256
"""Pixels handled at a time; the lines of the working array are this far apart."""
_MEAN, _COSINE, _SINE, _REST, _TURN, _TURN_VAR, _COLUMN, _COLUMN_VAR = range(0, 8 * _STRETCH, _STRETCH)
_B2, _RISK, _BRIGHTEST, _IS_DARK, _IS_NOISY, _APART, _IS_OPEN = range(8 * _STRETCH, 15 * _STRETCH, _STRETCH)
_LINES: Final = 15

# NaN is written on purpose, so the compiler may not assume that there is none.
_FAST: Final = frozenset({"contract", "nsz", "arcp"})

# Places in a set's row of constants (see `fringewise.phase.ladder`).
FRINGES, FOUR, SPARE, CHI_LIMIT, RIPPLE_LIMIT = 0, 1, 2, 3, 4
COVARIANCE = 5  # nine numbers: cc, cs, ss for the mean; cc, cs, ss for B cos φ; cc, cs, ss for B sin φ
SET_CONSTANTS: Final = 14

# Places in the capture's row of constants.
READ_VAR, GAIN, DARK_LEVEL, SATURATION, LEAST_B2, MOST_PHASE_VAR, MOST_RISK, RIM_SIGMAS, WHOLE = range(9)
CAPTURE_CONSTANTS: Final = 9

Array = npt.NDArray[Any]


@kernel(fastmath=_FAST, inline=True)
def turns_of(sine: np.float32, cosine: np.float32, over_larger: np.float32) -> Any:
    """Angle of (cosine, sine) in turns, 0 … 1, error below 3e-6 rad; `over_larger` is 1/max(|c|, |s|)."""
    across, along = abs(cosine), abs(sine)
    ratio = min(across, along) * over_larger
    square = ratio * ratio
    turn = ratio * (_A0 + square * (_A1 + square * (_A2 + square * (_A3 + square * (_A4 + square * _A5)))))
    turn = _QUARTER - turn if along > across else turn
    turn = _HALF - turn if cosine < _ZERO else turn
    return _ONE - turn if sine < _ZERO else turn


@kernel(fastmath=_FAST, inline=True)
def wrong_fringe_probability(step_var: np.float32) -> Any:
    """Probability that rounding takes the wrong whole number: 2 Q(0.5/σ) = erfc(√(1/(8 σ²))); σ in turns."""
    var = min(max(step_var, _LEAST_STEP_VAR), _MOST_STEP_VAR)
    root = np.sqrt(var)
    over = _ONE / (var * (root + _ROOT_32TH))  # one division for both t and 1/(8 σ²)
    t = root * var * over  # 1 / (1 + x/2) with x² = 1/(8 σ²)
    power = -_EIGHTH_LOG2_E * (root + _ROOT_32TH) * over
    whole = np.floor(power)
    part = power - whole
    scale = np.int32((np.int32(whole) + np.int32(127)) << np.int32(23)).view(np.float32)
    exponential = scale * (_X0 + part * (_X1 + part * (_X2 + part * _X3)))
    return exponential * t * (_E0 + t * (_E1 + t * (_E2 + t * (_E3 + t * _E4))))


@kernel(inline=True)
def _stretch(base: Array, start: int, n: int) -> Any:
    """Part of the frames as an array of its own, so that the loops over it run in vector code."""
    return base[start : start + n]


@kernel(fastmath=_FAST, inline=True)
def _fit_four(base: Array, at: Array, shift: int, work: Array, n: int) -> None:
    """Fit a set with shifts 0, 90, 180, 270°: A, B cos φ, B sin φ, squared residual, brightest level."""
    first, second = _stretch(base, at[0] + shift, n), _stretch(base, at[1] + shift, n)
    third, fourth = _stretch(base, at[2] + shift, n), _stretch(base, at[3] + shift, n)
    for x in range(n):
        i0, i1, i2, i3 = np.int32(first[x]), np.int32(second[x]), np.int32(third[x]), np.int32(fourth[x])
        work[_MEAN + x] = _QUARTER * _F(i0 + i1 + i2 + i3)
        work[_COSINE + x] = _HALF * _F(i0 - i2)
        work[_SINE + x] = _HALF * _F(i3 - i1)
        apart = _HALF * _F(i0 + i2 - i1 - i3)
        work[_REST + x] = apart * apart
        work[_BRIGHTEST + x] = max(work[_BRIGHTEST + x], _F(max(i0, i1, i2, i3)))


@kernel(fastmath=_FAST, inline=True)
def _fit_any(base: Array, at: Array, shift: int, solve: Array, model: Array, work: Array, n: int) -> None:
    """Fit a set with any shifts; `solve` (N × 3) solves the least squares of `model` (N × 3)."""
    work[_MEAN:_TURN] = _ZERO
    for f in range(at.size):
        frame = _stretch(base, at[f] + shift, n)
        to_mean, to_cosine, to_sine = solve[f, 0], solve[f, 1], solve[f, 2]
        for x in range(n):
            level = _F(frame[x])
            work[_MEAN + x] += to_mean * level
            work[_COSINE + x] += to_cosine * level
            work[_SINE + x] += to_sine * level
            work[_BRIGHTEST + x] = max(work[_BRIGHTEST + x], level)
    for f in range(at.size if at.size > 3 else 0):
        frame = _stretch(base, at[f] + shift, n)
        of_cosine, of_sine = model[f, 1], model[f, 2]
        for x in range(n):
            fitted = work[_MEAN + x] + of_cosine * work[_COSINE + x] + of_sine * work[_SINE + x]
            apart = _F(frame[x]) - fitted
            work[_REST + x] += apart * apart


@kernel(fastmath=_FAST, inline=True)
def _phase_of_fit(work: Array, n: int, one: Array, whole: Array) -> None:
    """Turn fits into phase and variance (turns), B², and whether dark or noisy."""
    read_var, gain, dark_level = whole[READ_VAR], whole[GAIN], whole[DARK_LEVEL]
    least_b2, most_var = whole[LEAST_B2], whole[MOST_PHASE_VAR]
    chi_limit, ripple_limit = one[CHI_LIMIT], one[RIPPLE_LIMIT]
    acc, acs, ass = one[COVARIANCE], one[COVARIANCE + 1], one[COVARIANCE + 2]
    ccc, ccs, css = one[COVARIANCE + 3], one[COVARIANCE + 4], one[COVARIANCE + 5]
    scc, scs, sss = one[COVARIANCE + 6], one[COVARIANCE + 7], one[COVARIANCE + 8]
    for x in range(n):
        c, s = work[_COSINE + x], work[_SINE + x]
        var = read_var + gain * max(work[_MEAN + x] - dark_level, _ZERO)
        b2 = c * c + s * s
        larger = max(abs(c), abs(s), _TINY_ROOT)
        over_both = _ONE / (larger * max(b2, _TINY))  # one division for both quotients
        over = larger * over_both
        var_cc = var * acc + gain * (c * ccc + s * scc)
        var_cs = var * acs + gain * (c * ccs + s * scs)
        var_ss = var * ass + gain * (c * css + s * sss)
        phase_var = (s * s * var_cc - (c + c) * s * var_cs + c * c * var_ss) * over * over
        work[_TURN + x] = turns_of(s, c, b2 * over_both)
        work[_TURN_VAR + x] = phase_var * _TURNS2
        work[_B2 + x] = b2
        dark = (b2 < least_b2) | (phase_var > most_var)
        work[_IS_DARK + x] = max(work[_IS_DARK + x], _ONE if dark else _ZERO)
        noisy = work[_REST + x] > chi_limit * var + ripple_limit * b2
        work[_IS_NOISY + x] = max(work[_IS_NOISY + x], _ONE if noisy else _ZERO)


@kernel(fastmath=_FAST, inline=True)
def _start_column(work: Array, n: int, one: Array, whole: Array) -> None:
    """Column of the coarsest set; open where others fit too and ratios that aren't whole could tell."""
    period = _ONE / one[FRINGES]
    sigmas, mixed = whole[RIM_SIGMAS], whole[WHOLE] == _ZERO
    for x in range(n):
        here, here_var = work[_TURN + x] * period, work[_TURN_VAR + x] * period * period
        work[_COLUMN + x] = here
        work[_COLUMN_VAR + x] = here_var
        near = sigmas * np.sqrt(here_var)
        others = (here > _ONE + near) | (here + period <= _ONE + near) | (here - period >= -near)
        work[_IS_OPEN + x] = _ONE if mixed & others else _ZERO


@kernel(fastmath=_FAST, inline=True)
def _refine_column(work: Array, n: int, one: Array) -> None:
    """Carry the column over to the next finer set by the nearest whole fringe, and add up the risk."""
    fringes = one[FRINGES]
    period = _ONE / fringes
    for x in range(n):
        turn, turn_var = work[_TURN + x], work[_TURN_VAR + x]
        apart = work[_COLUMN + x] * fringes - turn
        order = np.floor(apart + _HALF)
        work[_RISK + x] += wrong_fringe_probability(work[_COLUMN_VAR + x] * fringes * fringes + turn_var)
        work[_COLUMN + x] = (turn + order) * period
        work[_COLUMN_VAR + x] = turn_var * period * period
        work[_APART + x] = max(work[_APART + x], abs(apart - order))


@kernel(fastmath=_FAST, inline=True)
def _settle_column(work: Array, n: int, period: np.float32, whole: Array) -> None:
    """Bring columns into the pattern, open where not exactly one fits; roots; NaN where dark."""
    sigmas, check = whole[RIM_SIGMAS], whole[WHOLE] > _ZERO
    over_period = _ONE / period
    for x in range(n):
        sigma = np.sqrt(work[_COLUMN_VAR + x])
        near = sigmas * sigma
        here = work[_COLUMN + x]
        inside = here - period * np.floor((here + near) * over_period)
        others = (inside > _ONE + near) | (inside + period <= _ONE + near)
        dark = work[_IS_DARK + x] > _ZERO
        work[_IS_OPEN + x] = max(work[_IS_OPEN + x], _ONE if check & others else _ZERO)
        work[_COLUMN + x] = _NAN if dark else (inside if check else here)
        work[_COLUMN_VAR + x] = _NAN if dark else sigma
        work[_RISK + x] = min(work[_RISK + x], _ONE)
        work[_B2 + x] = np.sqrt(work[_B2 + x])


@kernel(fastmath=_FAST, inline=True)
def _mark(work: Array, flags: Array, whole: Array) -> Any:
    """Write the flags of a stretch and count its open pixels; a dark pixel is only dark."""
    saturation, most_risk = whole[SATURATION], whole[MOST_RISK]
    still_open = np.int32(0)
    for x in range(flags.size):
        lit = work[_IS_DARK + x] == _ZERO
        doubtful = (work[_RISK + x] > most_risk) | (work[_APART + x] > _CLOSE_CALL)
        mark = _SATURATED if work[_BRIGHTEST + x] >= saturation else _NOTHING
        mark |= _NOTHING if lit else _DARK
        mark |= _NOISY if lit & (work[_IS_NOISY + x] > _ZERO) else _NOTHING
        mark |= _DOUBTFUL if lit & doubtful else _NOTHING
        mark |= _RIM if lit & (work[_IS_OPEN + x] > _ZERO) else _NOTHING
        flags[x] = mark
        still_open += np.int32(lit & (work[_IS_OPEN + x] > _ZERO))
    return still_open


@kernel(fastmath=_FAST, inline=True)
def _put(work: Array, column: Array, sigma: Array, modulation: Array, mean: Array, risk: Array) -> None:
    """Copy finished lines of the working array to the outputs."""
    n = column.size
    column[:] = work[_COLUMN : _COLUMN + n]
    sigma[:] = work[_COLUMN_VAR : _COLUMN_VAR + n]
    modulation[:] = work[_B2 : _B2 + n]
    mean[:] = work[_MEAN : _MEAN + n]
    risk[:] = work[_RISK : _RISK + n]


@kernel(fastmath=_FAST)
def decode_rows(
    base: Array, starts: Array, first: Array, solve: Array, model: Array, sets: Array, whole: Array,
    top: int, bottom: int,
    column: Array, sigma: Array, modulation: Array, mean: Array, risk: Array, flags: Array,
) -> Any:  # fmt: skip
    """Decode the rows `top` to `bottom` − 1 of outputs (H, W). Gives the number of pixels left open (RIM).

    `base` spans all frames, `starts` (F,) says where in it each frame begins, `first` (S + 1,) which frames a
    set has (sets from coarse to fine), `solve` and `model` (F, 3) how to fit them, `sets` (S, SET_CONSTANTS)
    and `whole` (CAPTURE_CONSTANTS,) the constants.
    """
    work = np.empty(_LINES * _STRETCH, dtype=np.float32)
    width = column.shape[1]
    still_open = 0
    for y in range(top, bottom):
        for left in range(0, width, _STRETCH):
            right = min(left + _STRETCH, width)
            n, shift = right - left, y * width + left
            work[_RISK:] = _ZERO
            for s in range(sets.shape[0]):
                lo, hi = first[s], first[s + 1]
                if sets[s, FOUR] > _ZERO:
                    _fit_four(base, starts[lo:hi], shift, work, n)
                else:
                    _fit_any(base, starts[lo:hi], shift, solve[lo:hi], model[lo:hi], work, n)
                _phase_of_fit(work, n, sets[s], whole)
                if s == 0:
                    _start_column(work, n, sets[s], whole)
                else:
                    _refine_column(work, n, sets[s])
            _settle_column(work, n, _ONE / sets[0, FRINGES], whole)
            _put(
                work, column[y, left:right], sigma[y, left:right], modulation[y, left:right],
                mean[y, left:right], risk[y, left:right],
            )  # fmt: skip
            still_open += _mark(work, flags[y, left:right], whole)
    return still_open
