"""The compiled heart of decoding: one pass over the frames gives column, variance, risk and flags.

Each row of each set goes through three short loops that the compiler turns into vector code: frames → mean
and fringe vector (least squares, any shifts), fringe vector → phase and its variance, phases → unwrapped
column. Phases are in turns (1 = 2π rad) in here; arithmetic is float32.
"""
# ruff: noqa: PLR0917 - kernels are called by position

from __future__ import annotations

from typing import Any, Final

import numba
import numpy as np
import numpy.typing as npt

from fringewise.core.flags import Flag
from fringewise.core.kernels import kernel

_F = np.float32
_ZERO, _HALF, _ONE, _QUARTER = _F(0), _F(0.5), _F(1), _F(0.25)
_TINY: Final = _F(1e-30)
_NAN: Final = _F(np.nan)
_LOG2_E: Final = _F(np.log2(np.e))
_TURNS2: Final = _F(1 / (4 * np.pi**2))
_TOP_EXPONENT: Final = _F(115)  # 2^-115 is as good as never and still an ordinary float32
_CLOSE_CALL: Final = _F(0.4)  # turns by which two sets may disagree; at 0.5 the next fringe fits as well

_SATURATED, _DARK = np.uint16(Flag.SATURATED), np.uint16(Flag.DARK)
_NOISY, _DOUBTFUL, _RIM = np.uint16(Flag.NOISY_PHASE), np.uint16(Flag.DOUBTFUL_ORDER), np.uint16(Flag.RIM)
_NOTHING = np.uint16(0)

# Least-maximum fits made for this file: arctangent on 0 … 1 in turns (error 2e-6 rad), exp(x²) erfc(x) over
# 1/(1 + x/2) (1e-4 of the value, x up to 12), 2^x on 0 … 1 (7e-5 of the value).
_A0, _A1, _A2 = _F(0.15915131730), _F(-0.05293856519), _F(0.03080289529)
_A3, _A4, _A5 = _F(-0.01852982058), _F(0.00837905528), _F(-0.00186514664)
_E0, _E1, _E2, _E3, _E4 = _F(0.28043995), _F(0.30613555), _F(0.12328474), _F(0.45333648), _F(-0.16308705)
_X0, _X1, _X2, _X3 = _F(0.99992531), _F(0.69583283), _F(0.22606864), _F(0.07802367)

# NaN is written on purpose, so the compiler may not assume that there is none.
_FAST: Final = frozenset({"contract", "reassoc", "nsz", "arcp"})

# Places in a set's row of constants (see `fringewise.phase.ladder`).
FRINGES, FOUR, SPARE, CHI_LIMIT, RIPPLE_LIMIT = 0, 1, 2, 3, 4
COVARIANCE = 5  # nine numbers: cc, cs, ss for the mean; cc, cs, ss for B cos φ; cc, cs, ss for B sin φ
SET_CONSTANTS: Final = 14

# Places in the capture's row of constants.
READ_VAR, GAIN, DARK_LEVEL, SATURATION, LEAST_B2, MOST_PHASE_VAR, MOST_RISK, RIM_SIGMAS, WHOLE = range(9)
CAPTURE_CONSTANTS: Final = 9

Array = npt.NDArray[Any]


@kernel(fastmath=_FAST)
def turns_of(sine: np.float32, cosine: np.float32) -> Any:
    """Angle of (cosine, sine) in turns, 0 … 1; (0, 0) gives 0. Error below 3e-6 rad."""
    across, along = abs(cosine), abs(sine)
    ratio = min(across, along) / max(across, along, _TINY)
    square = ratio * ratio
    turn = ratio * (_A0 + square * (_A1 + square * (_A2 + square * (_A3 + square * (_A4 + square * _A5)))))
    turn = _QUARTER - turn if along > across else turn
    turn = _HALF - turn if cosine < _ZERO else turn
    return _ONE - turn if sine < _ZERO else turn


@kernel(fastmath=_FAST)
def wrong_fringe_probability(step_var: np.float32) -> Any:
    """Probability that rounding takes the wrong whole number: 2 Q(0.5/σ) = erfc(√(1/(8 σ²))); σ in turns."""
    square = min(_F(0.125) / max(step_var, _TINY), _F(79))
    t = _ONE / (_ONE + _HALF * np.sqrt(square))
    power = -square * _LOG2_E
    whole = np.floor(power)
    part = power - whole
    scale = np.int32((np.int32(whole) + np.int32(127)) << np.int32(23)).view(np.float32)
    exponential = scale * (_X0 + part * (_X1 + part * (_X2 + part * _X3)))
    return exponential * t * (_E0 + t * (_E1 + t * (_E2 + t * (_E3 + t * _E4))))


@kernel(fastmath=_FAST)
def _fit_four(base: Array, at: Array, fit: Array, flags: Array, saturation: float) -> None:
    """Fit one row of a set with shifts 0, 90, 180, 270°: rows of `fit` are A, B cos φ, B sin φ, residual²."""
    n = fit.shape[1]
    first, second = base[at[0] : at[0] + n], base[at[1] : at[1] + n]
    third, fourth = base[at[2] : at[2] + n], base[at[3] : at[3] + n]
    mean, cosine, sine, rest = fit[0], fit[1], fit[2], fit[3]
    limit = np.int32(saturation)
    for x in range(n):
        i0, i1, i2, i3 = np.int32(first[x]), np.int32(second[x]), np.int32(third[x]), np.int32(fourth[x])
        mean[x] = _QUARTER * _F(i0 + i1 + i2 + i3)
        cosine[x] = _HALF * _F(i0 - i2)
        sine[x] = _HALF * _F(i3 - i1)
        apart = _HALF * _F(i0 + i2 - i1 - i3)
        rest[x] = apart * apart
        flags[x] |= _SATURATED if max(i0, i1, i2, i3) >= limit else _NOTHING


@kernel(fastmath=_FAST)
def _fit_any(
    base: Array, at: Array, solve: Array, model: Array, fit: Array, flags: Array, saturation: float
) -> None:
    """Fit one row of a set with any shifts; `solve` (N × 3) solves the least squares of `model` (N × 3)."""
    n = fit.shape[1]
    mean, cosine, sine, rest = fit[0], fit[1], fit[2], fit[3]
    fit[:] = _ZERO
    for f in range(at.size):
        frame = base[at[f] : at[f] + n]
        to_mean, to_cosine, to_sine = solve[f, 0], solve[f, 1], solve[f, 2]
        for x in range(n):
            level = _F(frame[x])
            mean[x] += to_mean * level
            cosine[x] += to_cosine * level
            sine[x] += to_sine * level
            flags[x] |= _SATURATED if level >= saturation else _NOTHING
    if at.size == 3:
        return
    for f in range(at.size):
        frame = base[at[f] : at[f] + n]
        of_cosine, of_sine = model[f, 1], model[f, 2]
        for x in range(n):
            apart = _F(frame[x]) - mean[x] - of_cosine * cosine[x] - of_sine * sine[x]
            rest[x] += apart * apart


@kernel(fastmath=_FAST)
def _phase_of_fit(fit: Array, flags: Array, one: Array, whole: Array) -> None:
    """Turn one row's fit into phase and variance (rows 4 and 5 of `fit`), B² (into row 1) and flags."""
    mean, cosine, sine, rest, turn, turn_var = fit[0], fit[1], fit[2], fit[3], fit[4], fit[5]
    read_var, gain, dark_level = whole[READ_VAR], whole[GAIN], whole[DARK_LEVEL]
    least_b2, most_var = whole[LEAST_B2], whole[MOST_PHASE_VAR]
    chi_limit, ripple_limit = one[CHI_LIMIT], one[RIPPLE_LIMIT]
    acc, acs, ass = one[COVARIANCE], one[COVARIANCE + 1], one[COVARIANCE + 2]
    ccc, ccs, css = one[COVARIANCE + 3], one[COVARIANCE + 4], one[COVARIANCE + 5]
    scc, scs, sss = one[COVARIANCE + 6], one[COVARIANCE + 7], one[COVARIANCE + 8]
    for x in range(mean.size):
        c, s = cosine[x], sine[x]
        var = read_var + gain * max(mean[x] - dark_level, _ZERO)
        b2 = c * c + s * s
        over = _ONE / max(b2, _TINY)
        var_cc = var * acc + gain * (c * ccc + s * scc)
        var_cs = var * acs + gain * (c * ccs + s * scs)
        var_ss = var * ass + gain * (c * css + s * sss)
        phase_var = (s * s * var_cc - (c + c) * s * var_cs + c * c * var_ss) * over * over
        turn[x] = turns_of(s, c)
        turn_var[x] = phase_var * _TURNS2
        cosine[x] = b2
        dark = b2 < least_b2 or phase_var > most_var
        noisy = rest[x] > chi_limit * var + ripple_limit * b2
        flags[x] |= (_DARK if dark else _NOTHING) | (_NOISY if noisy else _NOTHING)


@kernel(fastmath=_FAST)
def _start_column(
    fit: Array, column: Array, column_var: Array, one: Array, whole: Array, flags: Array
) -> None:
    """Column of the coarsest set; RIM where others fit too and ratios that aren't whole could tell."""
    turn, turn_var = fit[4], fit[5]
    period = _ONE / one[FRINGES]
    for x in range(column.size):
        here, here_var = turn[x] * period, turn_var[x] * period * period
        column[x], column_var[x] = here, here_var
        if not whole[WHOLE]:
            near = whole[RIM_SIGMAS] * np.sqrt(here_var)
            others = here > _ONE + near or here + period <= _ONE + near or here - period >= -near
            flags[x] |= _RIM if others else _NOTHING


@kernel(fastmath=_FAST)
def _refine_column(
    fit: Array, column: Array, column_var: Array, risk: Array, one: Array, flags: Array
) -> None:
    """Carry the column over to the next finer set by the nearest whole fringe, and add up the risk."""
    turn, turn_var = fit[4], fit[5]
    fringes = one[FRINGES]
    period = _ONE / fringes
    for x in range(column.size):
        apart = column[x] * fringes - turn[x]
        order = np.floor(apart + _HALF)
        risk[x] += wrong_fringe_probability(column_var[x] * fringes * fringes + turn_var[x])
        column[x] = (turn[x] + order) * period
        column_var[x] = turn_var[x] * period * period
        flags[x] |= _DOUBTFUL if abs(apart - order) > _CLOSE_CALL else _NOTHING


@kernel(fastmath=_FAST)
def _finish_row(
    fit: Array, column: Array, sigma: Array, modulation: Array, mean: Array, risk: Array, flags: Array,
    period: np.float32, whole: Array,
) -> Any:  # fmt: skip
    """Bring columns into the pattern, take roots, mark rims and doubt; count the pixels left open."""
    b2, level = fit[1], fit[0]
    rim_sigmas, most_risk, check = whole[RIM_SIGMAS], whole[MOST_RISK], whole[WHOLE] > _ZERO
    still_open: Any = 0
    for x in range(column.size):
        doubt = np.sqrt(sigma[x])
        near = rim_sigmas * doubt
        here = column[x]
        inside = here - period * np.floor((here + near) / period) if check else here
        others = check and (inside > _ONE + near or inside + period <= _ONE + near)
        dark = (flags[x] & _DARK) != _NOTHING
        mark = flags[x] | (_RIM if others else _NOTHING)
        mark |= _DOUBTFUL if risk[x] > most_risk else _NOTHING
        mark = mark & ~(_RIM | _DOUBTFUL | _NOISY) if dark else mark
        flags[x] = mark
        still_open += np.int32((mark & _RIM) != _NOTHING)
        column[x] = _NAN if dark else inside
        sigma[x] = _NAN if dark else doubt
        risk[x] = min(risk[x], _ONE)
        modulation[x] = np.sqrt(b2[x])
        mean[x] = level[x]
    return still_open


@kernel(parallel=True, fastmath=_FAST)
def decode_rows(
    base: Array, starts: Array, first: Array, solve: Array, model: Array, sets: Array, whole: Array,
    column: Array, sigma: Array, modulation: Array, mean: Array, risk: Array, flags: Array,
) -> int:  # fmt: skip
    """Decode all rows; the outputs are (H, W) and are filled. Gives the number of pixels left open (RIM).

    `base` spans all frames, `starts` (F,) says where in it each frame begins, `first` (S + 1,) which frames a
    set has (sets from coarse to fine), `solve` and `model` (F, 3) how to fit them, `sets` (S, SET_CONSTANTS)
    and `whole` (CAPTURE_CONSTANTS,) the constants.
    """
    height, width = column.shape
    finest = sets.shape[0] - 1
    still_open = 0
    for y in numba.prange(height):
        fit = np.empty((6, width), dtype=np.float32)
        here, here_var, chance, marks = column[y], sigma[y], risk[y], flags[y]
        chance[:] = _ZERO
        marks[:] = _NOTHING
        for s in range(finest + 1):
            at = starts[first[s] : first[s + 1]] + y * width
            one = sets[s]
            if one[FOUR] > _ZERO:
                _fit_four(base, at, fit, marks, whole[SATURATION])
            else:
                lo, hi = first[s], first[s + 1]
                _fit_any(base, at, solve[lo:hi], model[lo:hi], fit[:4], marks, whole[SATURATION])
            _phase_of_fit(fit, marks, one, whole)
            if s == 0:
                _start_column(fit, here, here_var, one, whole, marks)
            else:
                _refine_column(fit, here, here_var, chance, one, marks)
        period = _ONE / sets[0, FRINGES]
        still_open += _finish_row(fit, here, here_var, modulation[y], mean[y], chance, marks, period, whole)
    return still_open
