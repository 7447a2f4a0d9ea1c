"""The compiled heart of decoding: one pass over the frames gives column, variance, risk and flags.

`decode_four_rows` is for the usual plan (three sets of 0, 90, 180, 270°, whole ratios): a single loop takes
a pixel from its twelve grey levels to its column, so that nothing on the way is stored, and the processor
fetches frames and writes results while it reckons. `decode_any_rows` is for every other plan; there,
stretches of a row go through short loops, and what passes between them lies in one small array of lines at
fixed places, so that the compiler sees that they don't overlap. Either is compiled when it is first needed.
All arithmetic is float32, also on grey levels and flags: numba widens small integers to 64 bits, which halves
the speed. `fringewise.phase.rows` hands bands of rows to ordinary threads, which compiles in half the time of
a parallel loop and needs no threading layer. Phases are in turns (1 = 2π rad) in here.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.flags import Flag
from fringewise.core.kernels import kernel

_F = np.float32
_ZERO, _EIGHTH, _QUARTER, _HALF, _ONE, _TWO, _FOUR = _F(0), _F(0.125), _F(0.25), _F(0.5), _F(1), _F(2), _F(4)
_TINY: Final = _F(1e-30)
_NAN: Final = _F(np.nan)
_TINY_ROOT: Final = _F(1e-10)
_TURNS2: Final = _F(1 / (4 * np.pi**2))
_EIGHTH_LOG2_E: Final = _F(np.log2(np.e) / 8)
_EXPONENT_BIAS, _EXPONENT_STEP = _F(127), _F(2**23)
_ROOT_32TH: Final = _F(np.sqrt(1 / 32))
_LEAST_STEP_VAR, _MOST_STEP_VAR = _F(1 / 640), _F(1e6)  # e^-80 is as good as never, still an ordinary float32
_NO_RISK_VAR: Final = _F(0.004)  # at this step variance the risk is 3e-15; below, it is given as 0

_SATURATED, _DARK, _NOISY = _F(Flag.SATURATED), _F(Flag.DARK), _F(Flag.NOISY_PHASE)
_DOUBTFUL, _RIM = _F(Flag.DOUBTFUL_ORDER), _F(Flag.RIM)
_DARK_BIT, _DOUBTFUL_BIT, _RIM_BIT, _NO_BIT = np.array(
    [Flag.DARK, Flag.DOUBTFUL_ORDER, Flag.RIM, 0], np.uint16
)

# Least-maximum fits made for this file: arctangent on 0 … 1 in turns (error 2e-6 rad), exp(x²) erfc(x) over
# 1/(1 + x/2) (1e-4 of the value, x up to 12), 2^x on 0 … 1 (7e-5 of the value).
_A0, _A1, _A2 = _F(0.15915131730), _F(-0.05293856519), _F(0.03080289529)
_A3, _A4, _A5 = _F(-0.01852982058), _F(0.00837905528), _F(-0.00186514664)
_E0, _E1, _E2, _E3, _E4 = _F(0.28043995), _F(0.30613555), _F(0.12328474), _F(0.45333648), _F(-0.16308705)
_X0, _X1, _X2, _X3 = _F(0.99992531), _F(0.69583283), _F(0.22606864), _F(0.07802367)

_STRETCH: Final = 256
"""Pixels that `decode_any_rows` handles at a time; the lines of its working array are this far apart."""
_LONG_STRETCH: Final = 1024
"""The same of `decode_four_rows`, which keeps next to nothing."""
_MEAN, _COSINE, _SINE, _REST, _TURN, _TURN_VAR, _B2, _STEP_VAR, _FLAGS = range(0, 9 * _STRETCH, _STRETCH)
_PLACE, _PLACE_VAR, _RISK, _BRIGHTEST, _IS_DARK, _IS_NOISY, _IS_SPLIT, _IS_OPEN = range(
    9 * _STRETCH, 17 * _STRETCH, _STRETCH
)  # these begin at 0 for each stretch
_LINES: Final = 17
# _PLACE is the column in fringes of the set just taken in, and at last the column itself.

# NaN is written on purpose, so the compiler may not assume that there is none.
_FAST: Final = frozenset({"contract", "nsz", "arcp"})
_SUMMING: Final = _FAST | {"reassoc"}

# Places in a set's row of constants (see `fringewise.phase.ladder`).
FRINGES, RATIO, CLOSE_CALL, CHI_LIMIT, RIPPLE_LIMIT = 0, 1, 2, 3, 4
COVARIANCE = 5  # nine numbers: cc, cs, ss for the mean; cc, cs, ss for B cos φ; cc, cs, ss for B sin φ
SET_CONSTANTS: Final = 14

# Places in the capture's row of constants.
READ_VAR, GAIN, DARK_LEVEL, SATURATION, LEAST_B2, MOST_PHASE_VAR, MOST_RISK, RIM_SIGMAS, WHOLE = range(9)
CAPTURE_CONSTANTS: Final = 9

Array = npt.NDArray[Any]


@kernel(fastmath=_FAST, inline=True)
def turns_of(sine: np.float32, cosine: np.float32, square: np.float32) -> Any:
    """Angle of (cosine, sine) in turns, -0.5 … 0.5, error below 3e-6 rad; and 1/square, with one division.

    In the first quarter the angle is π/4 - arctan((c - s) / (c + s)); `square` is c² + s².
    """
    across, along = abs(cosine), abs(sine)
    girth = max(across + along, _TINY_ROOT)
    over_both = _ONE / (girth * square + _TINY)
    ratio = (across - along) * (square * over_both)
    square = ratio * ratio
    turn = _A0 + square * (_A1 + square * (_A2 + square * (_A3 + square * (_A4 + square * _A5))))
    turn = _EIGHTH - ratio * turn
    turn = _HALF - turn if cosine < _ZERO else turn
    return np.copysign(turn, sine), girth * over_both


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
    scale = np.int32((whole + _EXPONENT_BIAS) * _EXPONENT_STEP).view(np.float32)  # 2^whole
    exponential = scale * (_X0 + part * (_X1 + part * (_X2 + part * _X3)))
    return exponential * t * (_E0 + t * (_E1 + t * (_E2 + t * (_E3 + t * _E4))))


@kernel(inline=True)
def _stretch(base: Array, start: int, n: int) -> Any:
    """Part of the frames as an array of its own, so that the loops over it run in vector code."""
    return base[start : start + n]


@kernel(fastmath=_FAST, inline=True)
def _fit_four(i0: np.float32, i1: np.float32, i2: np.float32, i3: np.float32, limits: Any) -> Any:
    """Fit four levels: phase and variance (turns), (2B)², 4A, whether dark or noisy, the brightest level."""
    offset, slope, read_var, over_square, least, most_var, chi_limit, ripple_limit = limits
    c, s, evens, odds = i0 - i2, i3 - i1, i0 + i2, i1 + i3  # c and s are twice B cos φ and B sin φ
    total, apart = evens + odds, evens - odds
    var = max(offset + slope * total, read_var)
    square = c * c + s * s
    turn, over = turns_of(s, c, square)
    dark = square < max(least, most_var * var)
    noisy = apart * apart > chi_limit * var + ripple_limit * square
    return turn, over_square * var * over, square, total, dark, noisy, max(i0, i1, i2, i3)


@kernel(fastmath=_FAST)
def _climb_four(
    base: Array, at: Array, shift: int, sets: Array, whole: Array, step_var: Array,
    column: Array, sigma: Array, modulation: Array, mean: Array, risk: Array, flags: Array,
) -> None:  # fmt: skip
    """Decode a stretch, but for the risk: the variances of its two steps go to `step_var` (2 lines)."""
    n = column.size
    a0, a1, a2, a3 = (
        _stretch(base, at[0] + shift, n), _stretch(base, at[1] + shift, n),
        _stretch(base, at[2] + shift, n), _stretch(base, at[3] + shift, n),
    )  # fmt: skip
    b0, b1, b2, b3 = (
        _stretch(base, at[4] + shift, n), _stretch(base, at[5] + shift, n),
        _stretch(base, at[6] + shift, n), _stretch(base, at[7] + shift, n),
    )  # fmt: skip
    c0, c1, c2, c3 = (
        _stretch(base, at[8] + shift, n), _stretch(base, at[9] + shift, n),
        _stretch(base, at[10] + shift, n), _stretch(base, at[11] + shift, n),
    )  # fmt: skip
    limits = (
        whole[READ_VAR] - whole[GAIN] * whole[DARK_LEVEL], whole[GAIN] * _QUARTER, whole[READ_VAR],
        _TWO * _TURNS2, _FOUR * whole[LEAST_B2], _TWO / whole[MOST_PHASE_VAR],
        _FOUR * sets[0, CHI_LIMIT], sets[0, RIPPLE_LIMIT],
    )  # fmt: skip
    to_b, to_c, split = sets[1, RATIO], sets[2, RATIO], sets[1, CLOSE_CALL]
    to_b2, to_c2, over_fringes = to_b * to_b, to_c * to_c, _ONE / sets[2, FRINGES]
    over_period, period = sets[0, FRINGES], _ONE / sets[0, FRINGES]
    sigmas, saturation = whole[RIM_SIGMAS], whole[SATURATION]
    for x in range(n):
        turn_a, var_a, _a, _b, dark_a, noisy_a, top_a = _fit_four(
            _F(a0[x]), _F(a1[x]), _F(a2[x]), _F(a3[x]), limits
        )
        turn_b, var_b, _c, _d, dark_b, noisy_b, top_b = _fit_four(
            _F(b0[x]), _F(b1[x]), _F(b2[x]), _F(b3[x]), limits
        )
        turn_c, var_c, square, total, dark_c, noisy_c, top_c = _fit_four(
            _F(c0[x]), _F(c1[x]), _F(c2[x]), _F(c3[x]), limits
        )
        away = turn_a * to_b - turn_b
        order = np.floor(away + _HALF)
        apart = abs(away - order)
        away = (turn_b + order) * to_c - turn_c
        order = np.floor(away + _HALF)
        apart = max(apart, abs(away - order))
        own_sigma = np.sqrt(var_c) * over_fringes
        here, near = (turn_c + order) * over_fringes, sigmas * own_sigma
        inside = here - period * np.floor((here + near) * over_period)
        others = (inside > _ONE + near) | (inside + period <= _ONE + near)
        faults = (_NOISY if noisy_a | noisy_b | noisy_c else _ZERO) + (_RIM if others else _ZERO)
        faults += _DOUBTFUL if apart > split else _ZERO
        dark = dark_a | dark_b | dark_c
        own_flags = _DARK if dark else faults  # a dark pixel is only dark
        own_flags += _SATURATED if max(top_a, top_b, top_c) >= saturation else _ZERO
        column[x] = _NAN if dark else inside
        sigma[x] = _NAN if dark else own_sigma
        modulation[x] = _HALF * np.sqrt(square)
        mean[x] = _QUARTER * total
        risk[x] = _ZERO
        flags[x] = np.uint16(own_flags)
        step_var[x] = var_a * to_b2 + var_b
        step_var[_LONG_STRETCH + x] = var_b * to_c2 + var_c


@kernel(fastmath=_SUMMING)
def _judge_four(step_var: Array, most_risk: np.float32, risk: Array, flags: Array) -> Any:
    """Put in the risk of the two steps, where there is any; gives how many pixels are left open."""
    risky, still_open = _ZERO, _ZERO
    for x in range(risk.size):
        risky += _ONE if max(step_var[x], step_var[_LONG_STRETCH + x]) > _NO_RISK_VAR else _ZERO
    for x in range(risk.size if risky > _ZERO else 0):
        first, second = step_var[x], step_var[_LONG_STRETCH + x]
        risk[x] = min(wrong_fringe_probability(first) + wrong_fringe_probability(second), _ONE)
    for x in range(risk.size if risky > _ZERO else 0):
        doubted = (risk[x] > most_risk) & (flags[x] & _DARK_BIT == 0)
        flags[x] |= _DOUBTFUL_BIT if doubted else _NO_BIT
    for x in range(risk.size):
        still_open += _ONE if flags[x] & _RIM_BIT else _ZERO
    return int(still_open)


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
        turn, over = turns_of(s, c, b2)
        var_cc = var * acc + gain * (c * ccc + s * scc)
        var_cs = var * acs + gain * (c * ccs + s * scs)
        var_ss = var * ass + gain * (c * css + s * sss)
        phase_var = (s * s * var_cc - (c + c) * s * var_cs + c * c * var_ss) * over * over
        work[_TURN + x] = turn + _ONE if turn < _ZERO else turn
        work[_TURN_VAR + x] = phase_var * _TURNS2
        work[_B2 + x] = b2
        dark = (b2 < least_b2) | (phase_var > most_var)
        noisy = work[_REST + x] > chi_limit * var + ripple_limit * b2
        work[_IS_DARK + x] = max(work[_IS_DARK + x], _ONE if dark else _ZERO)
        work[_IS_NOISY + x] = max(work[_IS_NOISY + x], _ONE if noisy else _ZERO)


@kernel(fastmath=_FAST, inline=True)
def _climb_any(work: Array, n: int, one: Array, sigmas: np.float32) -> None:
    """Carry the column over to a set.

    `sigmas` above 0 is for the coarsest of sets whose ratios aren't whole: a pixel that other fringes fit as
    well is left open, because its finer sets may tell.
    """
    ratio, ratio2, split = one[RATIO], one[RATIO] * one[RATIO], one[CLOSE_CALL]
    period, coarsest = _ONE / one[FRINGES], sigmas > _ZERO
    for x in range(n):
        turn, turn_var = work[_TURN + x], work[_TURN_VAR + x]
        away = work[_PLACE + x] * ratio - turn
        order = _ZERO if coarsest else np.floor(away + _HALF)
        here, near = turn * period, sigmas * np.sqrt(turn_var) * period
        others = (here > _ONE + near) | (here + period <= _ONE + near) | (here - period >= -near)
        work[_IS_SPLIT + x] = max(work[_IS_SPLIT + x], _ONE if abs(away - order) > split else _ZERO)
        work[_IS_OPEN + x] = max(work[_IS_OPEN + x], _ONE if others & coarsest else _ZERO)
        work[_STEP_VAR + x] = work[_PLACE_VAR + x] * ratio2 + turn_var
        work[_PLACE + x] = turn + order
        work[_PLACE_VAR + x] = turn_var


@kernel(fastmath=_SUMMING)
def _add_risk(work: Array, n: int) -> None:
    """Add the probability that the step just taken went wrong, unless it is next to none all along."""
    risky = _ZERO
    for x in range(n):
        risky += _ONE if work[_STEP_VAR + x] > _NO_RISK_VAR else _ZERO
    for x in range(n if risky > _ZERO else 0):
        work[_RISK + x] += wrong_fringe_probability(work[_STEP_VAR + x])


@kernel(fastmath=_FAST)
def _settle(work: Array, n: int, sets: Array, whole: Array) -> None:
    """Bring columns into the pattern, open where not exactly one fits; take roots; sum up the flags."""
    sigmas, saturation, most_risk = whole[RIM_SIGMAS], whole[SATURATION], whole[MOST_RISK]
    check, over_period, period = whole[WHOLE] > _ZERO, sets[0, FRINGES], _ONE / sets[0, FRINGES]
    over_fringes = _ONE / sets[sets.shape[0] - 1, FRINGES]
    for x in range(n):
        sigma, risk = np.sqrt(work[_PLACE_VAR + x]) * over_fringes, min(work[_RISK + x], _ONE)
        near = sigmas * sigma
        here = work[_PLACE + x] * over_fringes
        inside = here - period * np.floor((here + near) * over_period)
        others = check & ((inside > _ONE + near) | (inside + period <= _ONE + near))
        is_open = max(work[_IS_OPEN + x], _ONE if others else _ZERO)
        doubtful = max(work[_IS_SPLIT + x], _ONE if risk > most_risk else _ZERO)
        dark = work[_IS_DARK + x]
        faults = _NOISY * work[_IS_NOISY + x] + _DOUBTFUL * doubtful + _RIM * is_open
        flags = _SATURATED if work[_BRIGHTEST + x] >= saturation else _ZERO
        work[_FLAGS + x] = flags + _DARK * dark + (_ONE - dark) * faults  # a dark pixel is only dark
        work[_IS_OPEN + x] = (_ONE - dark) * is_open
        work[_PLACE + x] = _NAN if dark > _ZERO else (inside if check else here)
        work[_PLACE_VAR + x] = _NAN if dark > _ZERO else sigma
        work[_B2 + x] = np.sqrt(work[_B2 + x])
        work[_RISK + x] = risk


@kernel(fastmath=_SUMMING)
def _put(
    work: Array, column: Array, sigma: Array, modulation: Array, mean: Array, risk: Array, flags: Array
) -> Any:
    """Copy a stretch to the outputs; gives how many of its pixels are left open."""
    for x in range(column.size):
        column[x] = work[_PLACE + x]
    for x in range(column.size):
        sigma[x] = work[_PLACE_VAR + x]
    for x in range(column.size):
        modulation[x] = work[_B2 + x]
    for x in range(column.size):
        mean[x] = work[_MEAN + x]
    for x in range(column.size):
        risk[x] = work[_RISK + x]
    still_open = _ZERO
    for x in range(column.size):
        flags[x] = np.uint16(work[_FLAGS + x])
        still_open += work[_IS_OPEN + x]
    return int(still_open)


@kernel(fastmath=_FAST)
def decode_four_rows(
    base: Array, starts: Array, sets: Array, whole: Array, top: int, bottom: int,
    column: Array, sigma: Array, modulation: Array, mean: Array, risk: Array, flags: Array,
) -> Any:  # fmt: skip
    """Decode rows of three sets with shifts of 0, 90, 180, 270° and whole ratios; see `decode_any_rows`."""
    step_var = np.empty(2 * _LONG_STRETCH, dtype=np.float32)
    width, still_open = column.shape[1], 0
    for y in range(top, bottom):
        for left in range(0, width, _LONG_STRETCH):
            right = min(left + _LONG_STRETCH, width)
            _climb_four(
                base, starts, y * width + left, sets, whole, step_var,
                column[y, left:right], sigma[y, left:right], modulation[y, left:right],
                mean[y, left:right], risk[y, left:right], flags[y, left:right],
            )  # fmt: skip
            still_open += _judge_four(step_var, whole[MOST_RISK], risk[y, left:right], flags[y, left:right])
    return still_open


@kernel(fastmath=_FAST)
def decode_any_rows(
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
    width, still_open = column.shape[1], 0
    for y in range(top, bottom):
        for left in range(0, width, _STRETCH):
            right = min(left + _STRETCH, width)
            work[_PLACE:] = _ZERO
            for s in range(sets.shape[0]):
                lo, hi, shift = first[s], first[s + 1], y * width + left
                _fit_any(base, starts[lo:hi], shift, solve[lo:hi], model[lo:hi], work, right - left)
                _phase_of_fit(work, right - left, sets[s], whole)
                sigmas = whole[RIM_SIGMAS] if s == 0 and whole[WHOLE] == _ZERO else _ZERO
                _climb_any(work, right - left, sets[s], sigmas)
                if s > 0:
                    _add_risk(work, right - left)
            _settle(work, right - left, sets, whole)
            still_open += _put(
                work, column[y, left:right], sigma[y, left:right], modulation[y, left:right],
                mean[y, left:right], risk[y, left:right], flags[y, left:right],
            )  # fmt: skip
    return still_open
