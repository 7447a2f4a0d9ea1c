"""The compiled sums from which motion between the frames is judged, over a sample of the rows.

Phases are in turns. Sums are float64, block by block, so that a motion that shows differently over the view
(a tilted or curved part) is not averaged away.
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

_SATURATED: Final = np.uint16(Flag.SATURATED)


@kernel()
def _fit_pixel(base: Array, at: Array, solve: Array, pixel: int) -> tuple[float, float, float]:
    mean, cosine, sine = 0.0, 0.0, 0.0
    for f in range(at.size):
        level = float(base[at[f] + pixel])
        mean += solve[f, 0] * level
        cosine += solve[f, 1] * level
        sine += solve[f, 2] * level
    return mean, cosine, sine


@kernel()
def _add_disagreement(
    sums: Array, cosine: float, sine: float, phase_var: float, column: float, sigma: float,
    fringes: float, shifts: int,
) -> None:  # fmt: skip
    """Add one pixel's disagreement between the finest column and the next coarser set's phase."""
    apart = column * fringes - np.arctan2(sine, cosine) / (2 * np.pi)
    apart -= np.floor(apart + 0.5)
    weight = 1.0 / (phase_var / (4 * np.pi**2) + (sigma * fringes) ** 2)
    size = np.sqrt(cosine * cosine + sine * sine)
    c, s = cosine / size, sine / size
    p, q = 1.0, 0.0
    for _ in range(shifts):
        p, q = p * c - q * s, p * s + q * c
    sums[W] += weight
    sums[WG] += weight * apart
    sums[WP] += weight * p
    sums[WQ] += weight * q
    sums[WPP] += weight * p * p
    sums[WPQ] += weight * p * q
    sums[WQQ] += weight * q * q
    sums[WGP] += weight * apart * p
    sums[WGQ] += weight * apart * q


@kernel()
def phase_sums(
    base: Array, coarse: Array, coarse_solve: Array, fringes: float, spread: float,
    fine: Array, fine_solve: Array, drift: Array, noise: Array,
    column: Array, sigma: Array, flags: Array, spacing: int, sums: Array,
) -> None:  # fmt: skip
    """Fill the sums (h, w, BLOCK_SUMS) of blocks from every `spacing`-th row, over pixels without a flag.

    `coarse` and `fine` are where the frames of the next coarser and the finest set begin (`coarse` is empty
    for a single set, `drift` for 3 shifts); `drift` (N, 2) are the combinations of frames that an even drift
    fills through B cos φ and B sin φ; `spread` is 2/N of the coarser set, or what stands for it; `noise` is
    read variance, gain, dark level.
    """
    height, width = column.shape
    norm_cc, norm_cs, norm_ss = 0.0, 0.0, 0.0
    for f in range(drift.shape[0]):
        norm_cc += drift[f, 0] ** 2
        norm_cs += drift[f, 0] * drift[f, 1]
        norm_ss += drift[f, 1] ** 2
    for y in range(spacing // 2, height, spacing):
        for x in range(width):
            if flags[y, x]:
                continue
            block, pixel = sums[y // BLOCK, x // BLOCK], y * width + x
            block[COUNT] += 1
            if coarse.size:
                mean, cosine, sine = _fit_pixel(base, coarse, coarse_solve, pixel)
                var = spread * (noise[0] + noise[1] * max(mean - noise[2], 0.0))
                phase_var = var / (cosine * cosine + sine * sine)
                _add_disagreement(
                    block, cosine, sine, phase_var, column[y, x], sigma[y, x], fringes, coarse.size
                )
            if drift.shape[0]:
                mean, cosine, sine = _fit_pixel(base, fine, fine_solve, pixel)
                along = 0.0
                for f in range(fine.size):
                    along += (drift[f, 0] * cosine + drift[f, 1] * sine) * float(base[fine[f] + pixel])
                size = norm_cc * cosine * cosine + 2 * norm_cs * cosine * sine + norm_ss * sine * sine
                over = 1.0 / (noise[0] + noise[1] * max(mean - noise[2], 0.0))
                block[DRIFT] += along * over
                block[DRIFT_WEIGHT] += size * over


@kernel()
def _mean_row(base: Array, at: Array, solve: Array, start: int, out: Array) -> None:
    """Mean level of a set (A) along one row that begins at pixel `start`."""
    out[:] = 0.0
    for f in range(at.size):
        share, here = solve[f, 0], at[f] + start
        for x in range(out.size):
            out[x] += share * float(base[here + x])


@kernel()
def texture_sums(
    base: Array, early: Array, early_solve: Array, late: Array, late_solve: Array, spread: float,
    noise: Array, flags: Array, spacing: int, sums: Array,
) -> int:  # fmt: skip
    """Fill `sums` (TEXTURE_TERMS, TEXTURE_TERMS) with weighted products over every `spacing`-th row.

    `early` and `late` are where the frames of the first and the last set begin; `spread` times a frame's
    variance is the variance of the difference of their means. A pixel counts where neither it nor a neighbour
    is saturated. The slopes are those of the mean of both, over two pixels, so that a pixel's own noise is in
    none of them. Gives the number of pixels.
    """
    height, width = flags.shape
    before, after = np.empty((3, width)), np.empty((3, width))
    terms = np.empty(TEXTURE_TERMS)
    count = 0
    for y in range(1 + spacing // 2, height - 1, spacing):
        for row in range(3):
            _mean_row(base, early, early_solve, (y + row - 1) * width, before[row])
            _mean_row(base, late, late_solve, (y + row - 1) * width, after[row])
        for x in range(1, width - 1):
            marks = flags[y, x - 1] | flags[y, x] | flags[y, x + 1] | flags[y - 1, x] | flags[y + 1, x]
            if marks & _SATURATED:
                continue
            terms[0] = 0.5 * (before[1, x] + after[1, x])
            terms[1] = 1.0
            terms[2] = 0.25 * (before[1, x + 1] + after[1, x + 1] - before[1, x - 1] - after[1, x - 1])
            terms[3] = 0.25 * (before[2, x] + after[2, x] - before[0, x] - after[0, x])
            terms[4] = after[1, x] - before[1, x]
            weight = 1.0 / (spread * (noise[0] + noise[1] * max(terms[0] - noise[2], 0.0)))
            count += 1
            for i in range(TEXTURE_TERMS):
                for j in range(i, TEXTURE_TERMS):
                    sums[i, j] += weight * terms[i] * terms[j]
    return count
