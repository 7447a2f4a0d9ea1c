"""The compiled sums from which motion between the frames is judged, over a sample of the rows.

Sums are kept block by block, so that a motion that shows differently over the view (a tilted or curved part)
is not averaged away. As in `fringewise.phase.kernels`, lines at fixed places in one working array let the
compiler make vector code; phases are in turns.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.flags import Flag
from fringewise.core.kernels import kernel

Array = npt.NDArray[Any]

BLOCK: Final = 64
"""Width and height of a block in pixels."""

# Sums of a block: weights and weighted products of the sets' disagreement g with 1 and with the coarser set's
# ripple (cosine p, sine q); then the residuals' sums.
W, WG, WP, WQ, WPP, WPQ, WQQ, WGP, WGQ, DRIFT, DRIFT_WEIGHT, COUNT = range(12)
BLOCK_SUMS: Final = 12

TEXTURE_TERMS: Final = 5
"""Level, 1, slope along u, slope along v, and the change itself: the sums are their products."""

_F = np.float32
_ZERO, _HALF, _ONE, _QUARTER = _F(0), _F(0.5), _F(1), _F(0.25)
_TINY: Final = _F(1e-20)
_TURNS2: Final = _F(1 / (4 * np.pi**2))
_SATURATED: Final = np.uint16(Flag.SATURATED)
_MEAN, _COSINE, _SINE, _APART, _WEIGHT, _UNIT_C, _UNIT_S, _P, _Q, _ALONG = range(0, 10 * BLOCK, BLOCK)
_LINES: Final = 10

# Arctangent on 0 … 1 in turns, a least-maximum fit of five terms (1e-5 rad): enough for sums.
_A0, _A1, _A2 = _F(0.1591336682), _F(-0.0525696316), _F(0.0286732124)
_A3, _A4 = _F(-0.0135530118), _F(0.0033175831)

_LINEWISE: Final = frozenset({"contract", "nsz", "arcp"})
_SUMMING: Final = frozenset({"contract", "nsz", "arcp", "reassoc"})


@kernel(fastmath=_LINEWISE)
def _fit_line(base: Array, at: Array, solve: Array, shift: int, work: Array, n: int) -> None:
    """Fit `n` pixels that lie `shift` pixels into their frames: A, B cos φ, B sin φ."""
    work[_MEAN:_APART] = _ZERO
    for f in range(at.size):
        frame = base[at[f] + shift : at[f] + shift + n]
        to_mean, to_cosine, to_sine = solve[f, 0], solve[f, 1], solve[f, 2]
        for x in range(n):
            level = _F(frame[x])
            work[_MEAN + x] += to_mean * level
            work[_COSINE + x] += to_cosine * level
            work[_SINE + x] += to_sine * level


@kernel(fastmath=_LINEWISE)
def _compare_line(
    work: Array, n: int, column: Array, sigma: Array, flags: Array, fringes: np.float32, spread: np.float32,
    noise: Array, shifts: int,
) -> None:  # fmt: skip
    """Disagreement of the finest column and the fitted set's phase, its weight, and that set's ripple."""
    read_var, gain, dark = noise[0], noise[1], noise[2]
    for x in range(n):
        c, s = work[_COSINE + x], work[_SINE + x]
        sound = flags[x] == 0
        square = max(c * c + s * s, _TINY)
        over = _ONE / np.sqrt(square)
        across, along = abs(s), abs(c)
        ratio = min(across, along) / max(across, along, _TINY)
        r2 = ratio * ratio
        turn = ratio * (_A0 + r2 * (_A1 + r2 * (_A2 + r2 * (_A3 + r2 * _A4))))
        turn = _QUARTER - turn if across > along else turn
        turn = _HALF - turn if c < _ZERO else turn
        turn = -turn if s < _ZERO else turn
        apart = (column[x] if sound else _ZERO) * fringes - turn
        doubt = (sigma[x] if sound else _ONE) * fringes
        var = spread * (read_var + gain * max(work[_MEAN + x] - dark, _ZERO)) / square * _TURNS2
        work[_APART + x] = apart - np.floor(apart + _HALF)
        work[_WEIGHT + x] = _ONE / (var + doubt * doubt) if sound else _ZERO
        work[_UNIT_C + x], work[_UNIT_S + x] = c * over, s * over
        work[_P + x], work[_Q + x] = _ONE, _ZERO
    for _ in range(shifts):
        for x in range(n):
            p, q = work[_P + x], work[_Q + x]
            work[_P + x] = p * work[_UNIT_C + x] - q * work[_UNIT_S + x]
            work[_Q + x] = p * work[_UNIT_S + x] + q * work[_UNIT_C + x]


@kernel(fastmath=_SUMMING)
def _sum_line(work: Array, n: int, sums: Array) -> None:
    """Add a line's weights and weighted products to its block."""
    w = wg = wp = wq = wpp = wpq = wqq = wgp = wgq = _ZERO
    for x in range(n):
        weight, apart, p, q = work[_WEIGHT + x], work[_APART + x], work[_P + x], work[_Q + x]
        w += weight
        wg += weight * apart
        wp += weight * p
        wq += weight * q
        wpp += weight * p * p
        wpq += weight * p * q
        wqq += weight * q * q
        wgp += weight * apart * p
        wgq += weight * apart * q
    sums[W] += w
    sums[WG] += wg
    sums[WP] += wp
    sums[WQ] += wq
    sums[WPP] += wpp
    sums[WPQ] += wpq
    sums[WQQ] += wqq
    sums[WGP] += wgp
    sums[WGQ] += wgq


@kernel(fastmath=_SUMMING)
def _sum_creep(
    base: Array, at: Array, drift: Array, shift: int, work: Array, n: int, flags: Array, noise: Array,
    sums: Array,
) -> None:  # fmt: skip
    """Add what a line's residuals say of a phase that creeps on from frame to frame; counts sound pixels."""
    read_var, gain, dark = noise[0], noise[1], noise[2]
    work[_ALONG : _ALONG + BLOCK] = _ZERO
    cc = cs = ss = _ZERO
    for f in range(drift.shape[0]):
        frame = base[at[f] + shift : at[f] + shift + n]
        by_c, by_s = drift[f, 0], drift[f, 1]
        cc += by_c * by_c
        cs += by_c * by_s
        ss += by_s * by_s
        for x in range(n):
            work[_ALONG + x] += (by_c * work[_COSINE + x] + by_s * work[_SINE + x]) * _F(frame[x])
    total = weights = count = _ZERO
    for x in range(n):
        c, s = work[_COSINE + x], work[_SINE + x]
        over = _ONE / (read_var + gain * max(work[_MEAN + x] - dark, _ZERO))
        sound = _ONE if flags[x] == 0 else _ZERO
        total += sound * over * work[_ALONG + x]
        weights += sound * over * (cc * c * c + _F(2) * cs * c * s + ss * s * s)
        count += sound
    sums[DRIFT] += total
    sums[DRIFT_WEIGHT] += weights
    sums[COUNT] += count


@kernel()
def phase_sums(
    base: Array, coarse: Array, coarse_solve: Array, fringes: np.float32, spread: np.float32,
    fine: Array, fine_solve: Array, drift: Array, noise: Array,
    column: Array, sigma: Array, flags: Array, spacing: int, sums: Array,
) -> None:  # fmt: skip
    """Fill the sums (h, w, BLOCK_SUMS) of blocks from every `spacing`-th row, over pixels without a flag.

    `coarse` and `fine` are where the frames of the next coarser and the finest set begin (`coarse` is empty
    for a single set, `drift` for 3 shifts); `drift` (N, 2) are the combinations of frames that an even drift
    fills through B cos φ and B sin φ; `spread` is 2/N of the coarser set, or what stands for it; `noise` is
    read variance, gain, dark level.
    """
    work = np.empty(_LINES * BLOCK, dtype=np.float32)
    height, width = column.shape
    for y in range(spacing // 2, height, spacing):
        for left in range(0, width, BLOCK):
            right = min(left + BLOCK, width)
            n, shift, block = right - left, y * width + left, sums[y // BLOCK, left // BLOCK]
            marks = flags[y, left:right]
            if coarse.size:
                _fit_line(base, coarse, coarse_solve, shift, work, n)
                _compare_line(
                    work, n, column[y, left:right], sigma[y, left:right], marks, fringes, spread, noise,
                    coarse.size,
                )  # fmt: skip
                _sum_line(work, n, block)
            _fit_line(base, fine, fine_solve, shift, work, n)
            _sum_creep(base, fine, drift, shift, work, n, marks, noise, block)


@kernel(fastmath=_LINEWISE)
def _mean_row(base: Array, at: Array, solve: Array, start: int, out: Array) -> None:
    """Mean level of a set (A) along one row that begins at pixel `start`."""
    out[:] = _ZERO
    for f in range(at.size):
        frame, share = base[at[f] + start : at[f] + start + out.size], solve[f, 0]
        for x in range(out.size):
            out[x] += share * _F(frame[x])


@kernel(fastmath=_LINEWISE)
def _slopes(before: Array, after: Array, flags: Array, noise: Array, spread: np.float32, out: Array) -> None:
    """Level, slopes, change and weight (rows of `out`) of the middle of three rows."""
    read_var, gain, dark = noise[0], noise[1], noise[2]
    level, across, down, change, weight = out[0], out[1], out[2], out[3], out[4]
    for x in range(level.size):
        level[x] = _HALF * (before[1, x] + after[1, x])
        down[x] = _QUARTER * (before[2, x] + after[2, x] - before[0, x] - after[0, x])
        change[x] = after[1, x] - before[1, x]
    for x in range(1, level.size - 1):
        across[x] = _HALF * (level[x + 1] - level[x - 1])
        marks = flags[1, x - 1] | flags[1, x] | flags[1, x + 1] | flags[0, x] | flags[2, x]
        var = spread * (read_var + gain * max(level[x] - dark, _ZERO))
        weight[x] = _ZERO if marks & _SATURATED else _ONE / var


@kernel(fastmath=_SUMMING)
def _sum_slopes(terms: Array, sums: Array) -> Any:
    """Add weighted products of one row's terms to `sums`; gives how many pixels had weight."""
    level, across, down, change, weight = terms[0], terms[1], terms[2], terms[3], terms[4]
    ll = lo = lx = ly = lc = oo = ox = oy = oc = xx = xy = xc = yy = yc = cc = count = _ZERO
    for x in range(1, level.size - 1):
        w, a, g, h, c = weight[x], level[x], across[x], down[x], change[x]
        wa, wg, wh, wc = w * a, w * g, w * h, w * c
        count += _ONE if w > _ZERO else _ZERO
        ll, lo, lx, ly, lc = ll + wa * a, lo + wa, lx + wa * g, ly + wa * h, lc + wa * c
        oo, ox, oy, oc = oo + w, ox + wg, oy + wh, oc + wc
        xx, xy, xc = xx + wg * g, xy + wg * h, xc + wg * c
        yy, yc, cc = yy + wh * h, yc + wh * c, cc + wc * c
    row = (ll, lo, lx, ly, lc, oo, ox, oy, oc, xx, xy, xc, yy, yc, cc)
    place = 0
    for i in range(TEXTURE_TERMS):
        for j in range(i, TEXTURE_TERMS):
            sums[i, j] += row[place]
            place += 1
    return count


@kernel()
def texture_sums(
    base: Array, early: Array, early_solve: Array, late: Array, late_solve: Array, spread: np.float32,
    noise: Array, flags: Array, spacing: int, sums: Array,
) -> Any:  # fmt: skip
    """Fill `sums` (TEXTURE_TERMS, TEXTURE_TERMS) with weighted products over every `spacing`-th row.

    `early` and `late` are where the frames of the first and the last set begin; `spread` times a frame's
    variance is the variance of the difference of their means. A pixel counts where neither it nor a neighbour
    is saturated. The slopes are those of the mean of both, over two pixels, so that a pixel's own noise is in
    none of them. Gives the number of pixels.
    """
    height, width = flags.shape
    before, after = np.empty((3, width), dtype=np.float32), np.empty((3, width), dtype=np.float32)
    terms = np.empty((5, width), dtype=np.float32)
    count = 0.0
    for y in range(1 + spacing // 2, height - 1, spacing):
        for row in range(3):
            _mean_row(base, early, early_solve, (y + row - 1) * width, before[row])
            _mean_row(base, late, late_solve, (y + row - 1) * width, after[row])
        _slopes(before, after, flags[y - 1 : y + 2], noise, spread, terms)
        count += _sum_slopes(terms, sums)
    return count
