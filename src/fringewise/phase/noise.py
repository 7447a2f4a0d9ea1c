"""The camera's noise from the fringe frames themselves, for a head that states none.

Sets of more than 3 shifts leave residuals, which are noise (and what response the camera's curve adds). Three
shifts leave none: then the finest phase is compared with a smooth surface through its neighbours in a row.
Either way the variance is taken robustly in bins of grey level and a straight line is laid through it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from fringewise.capture.capture import FringeFrames
from fringewise.capture.head import NoiseModel
from fringewise.core.checks import Array
from fringewise.phase.ladder import LEAST_MODULATION_SHARE, Ladder

FROM_RESIDUALS: Final = "frames' residuals"
FROM_SCATTER: Final = "phase scatter"

ROUNDING_VARIANCE: Final = 1 / 12
"""Variance of rounding to whole grey levels; no camera has less."""

_ROW_STEP: Final = 4
_BINS: Final = 24
_LEAST_IN_BIN: Final = 50
_LIT_FACTOR: Final = 4.0  # samples are taken where the modulation is this many times what still counts as lit
_HIGH_PASS: Final = (1.0, -4.0, 6.0, -4.0, 1.0)  # nothing is left of a cubic
_MEDIAN_OF_SQUARE: Final = 0.454936  # of a squared standard normal value
_MEAN_WITHIN_3: Final = 0.973327  # of a squared standard normal value that lies within ± 3
_CLIPPINGS: Final = 4


def estimate_noise(sets: Sequence[FringeFrames], ladder: Ladder, bits: int) -> tuple[NoiseModel, str]:
    """Estimate read-out noise and gain from the frames; say by which way.

    Parameters
    ----------
    sets : sequence of FringeFrames
        Column sets, in the order that `ladder` was made from.
    bits : int
        Of the grey levels.

    Returns
    -------
    noise : NoiseModel
        Rounding included. Where hardly any pixel is lit, rounding alone.
    source : {"frames' residuals", "phase scatter"}
    """
    ordered = [sets[n] for n in ladder.order]
    spare = [one for one in ordered if len(one.frames) > 3]
    least_b = _LIT_FACTOR * LEAST_MODULATION_SHARE * ((1 << bits) - 1)
    if spare:
        samples = [_residual_samples(one, least_b, (1 << bits) - 1) for one in spare]
        source = FROM_RESIDUALS
    else:
        samples = [_scatter_samples(ordered[-1], least_b, (1 << bits) - 1)]
        source = FROM_SCATTER
    level = np.concatenate([one[0] for one in samples])
    square = np.concatenate([one[1] for one in samples])
    read_var, gain = _line_through_bins(level, square)
    return NoiseModel(float(np.sqrt(read_var)), gain, bits), source


def _fit(one: FringeFrames, saturation: int) -> tuple[Array, Array, npt.NDArray[np.bool_]]:
    """Fit every fourth row: (A, B cos φ, B sin φ), the frames, and where none is saturated."""
    frames = one.frames[:, ::_ROW_STEP].astype(np.float64)
    fit = np.tensordot(np.linalg.pinv(one.fringe_set.design), frames, axes=1)
    return fit, frames, frames.max(axis=0) < saturation


def _residual_samples(one: FringeFrames, least_b: float, saturation: int) -> tuple[Array, Array]:
    """Grey levels, and squared residuals: each is the variance times a squared standard normal value."""
    fit, frames, sound = _fit(one, saturation)
    design = one.fringe_set.design
    spare = np.linalg.svd(design)[0][:, 3:]  # directions of the frames that no A, B, φ can make
    lit = sound & (np.hypot(fit[1], fit[2]) > least_b)
    left = np.tensordot(spare.T, frames, axes=1)[:, lit]
    return np.tile(fit[0][lit], len(left)), left.ravel() ** 2


def _scatter_samples(one: FringeFrames, least_b: float, saturation: int) -> tuple[Array, Array]:
    """As `_residual_samples`, from the phase's fourth difference along the rows."""
    fit, _, sound = _fit(one, saturation)
    mean, cosine, sine = fit
    square = cosine**2 + sine**2
    solve = np.linalg.pinv(one.fringe_set.design)
    cc, cs, ss = solve[1] @ solve[1], solve[1] @ solve[2], solve[2] @ solve[2]
    with np.errstate(all="ignore"):
        unit_var = (sine**2 * cc - 2 * cosine * sine * cs + cosine**2 * ss) / square**2
        lit = sound & (square > least_b**2)
    step = np.angle(np.exp(1j * np.diff(np.arctan2(sine, cosine), axis=1)))
    fourth = np.diff(step, n=3, axis=1)
    whole = np.lib.stride_tricks.sliding_window_view(lit, len(_HIGH_PASS), axis=1).all(axis=2)
    centre = (slice(None), slice(2, -2))
    shares = _weighted(unit_var)
    return mean[centre][whole], (fourth**2 / shares)[whole]


def _weighted(unit_var: Array) -> Array:
    """Variance of the fourth difference where each phase has `unit_var`."""
    windows = np.lib.stride_tricks.sliding_window_view(unit_var, len(_HIGH_PASS), axis=1)
    return np.asarray(windows @ np.square(_HIGH_PASS))


def _line_through_bins(level: Array, square: Array) -> tuple[float, float]:
    """Read-out variance and gain: a straight line, never falling, through the robust variance of each bin."""
    if level.size < 4 * _LEAST_IN_BIN:
        return ROUNDING_VARIANCE, 0.0
    order = np.argsort(level, kind="stable")
    parts = min(_BINS, level.size // _LEAST_IN_BIN)
    middle = np.array([np.median(level[part]) for part in np.array_split(order, parts)])
    variance = np.array([_robust_variance(square[part]) for part in np.array_split(order, parts)])
    above = np.maximum(variance, ROUNDING_VARIANCE) - ROUNDING_VARIANCE
    weight = 1 / np.maximum(variance, ROUNDING_VARIANCE)  # a variance is known to a share of itself
    design = np.column_stack([np.ones_like(middle), middle]) * weight[:, None]
    (extra, gain), _ = nnls(design, above * weight)
    return float(extra) + ROUNDING_VARIANCE, float(gain)


def _robust_variance(square: Array) -> float:
    """Variance from the squares within three standard deviations (whole grey levels would blur a median)."""
    variance = max(float(np.median(square)) / _MEDIAN_OF_SQUARE, ROUNDING_VARIANCE)
    for _ in range(_CLIPPINGS):
        kept = square[square < 9 * variance]
        variance = max(float(kept.mean()) / _MEAN_WITHIN_3, ROUNDING_VARIANCE)
    return variance
