"""The camera's noise from repeated captures of a still scene (photon transfer), and the ripple of its phase.

Two frames of the same pattern differ by noise alone: half the mean square of their difference is one frame's
variance at that level. Variances in bins of level lie on read² + gain · (level − dark).

The ripple is what a camera's or projector's bent response leaves in the phase, again and again with each
fringe. Two fringe sets see the same column: φ_coarse − 2π f_coarse c, with c from the finest set, holds the
coarse set's ripple and the fine set's made small by f_coarse / f_fine, so averaged over all pixels of equal
φ_coarse it is the ripple itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from fringewise.capture.capture import Capture, FringeFrames
from fringewise.capture.head import NoiseModel
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.flags import Flag
from fringewise.phase.ladder import climb
from fringewise.phase.noise import ROUNDING_VARIANCE
from fringewise.phase.rows import decode_sets

FramePair = tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]

_LEVEL_BINS: Final = 48
_LEAST_IN_BIN: Final = 400
_CLEAR_OF_ENDS: Final = 4.0  # standard deviations from black and from saturation
_WITHIN_3: Final = 0.973327  # mean of a squared standard normal value that lies within ± 3
_CLIPPINGS: Final = 4
_PHASE_BINS: Final = 48
_LEAST_MODULATION: Final = 8.0
_HARMONICS: Final = 8
_LEAST_BINS: Final = 6
_FITS: Final = 5
_SPOILT: Final = int(Flag.SATURATED | Flag.DARK | Flag.RIM)  # a ripple itself raises other flags


@dataclass(frozen=True, slots=True)
class PhotonTransfer:
    """Noise against level.

    Attributes
    ----------
    noise : NoiseModel
    read_sigma, gain_sigma : float
        Standard uncertainties of read_dn and gain_dn_per_electron from the scatter of the bins.
    level_dn, variance_dn2, count : (B,) arrays
        The bins that the line was laid through.
    dark_from : str
        Where the dark level comes from, in words.
    """

    noise: NoiseModel
    read_sigma: float
    gain_sigma: float
    level_dn: Array
    variance_dn2: Array
    count: Array
    dark_from: str


@dataclass(frozen=True, slots=True)
class Ripple:
    """Phase error that repeats with the fringe.

    Attributes
    ----------
    rms_rad, peak_rad : float
    phase_rad, error_rad : (B,) arrays
        The curve it follows.
    """

    rms_rad: float
    peak_rad: float
    phase_rad: Array
    error_rad: Array


@dataclass(slots=True)
class _Bins:
    """Pixels by level: how many, their mean level, one frame's variance, (B,) each."""

    count: Array
    level: Array
    square: Array


def photon_transfer(captures: Sequence[Capture], dark: Sequence[Capture] = ()) -> PhotonTransfer:
    """Estimate a camera's read-out noise, dark level and gain from repeats of one still scene.

    Parameters
    ----------
    captures : sequence of Capture
        Two or more with the same plan; nothing moved and the light was the same. A slow drift of the light is
        taken out.
    dark : sequence of Capture
        Taken with the light off, for the dark level. Without them it can't be told from the read-out noise,
        and is put at 0 unless the line then falls below what rounding alone gives; the variance above it is
        the same.

    Raises
    ------
    NotMeasurable
        Fewer than two captures, different plans, or too few levels in the scene.
    """
    pairs = list(_pairs(captures))
    bits = captures[0].bits
    top = float((1 << bits) - 1)
    bins = _binned(pairs, top)
    good = (bins.count >= _LEAST_IN_BIN) & _clear(bins, top)
    level, count = bins.level[good], bins.count[good]
    variance = bins.square[good]
    dark_dn, dark_from = _dark_level(dark)
    read2, gain, covariance = _line(level - dark_dn, variance, count)
    if not dark and read2 <= ROUNDING_VARIANCE and gain > 0:
        slope = np.polyfit(level, variance, 1, w=np.sqrt(count) / variance)
        dark_dn = max(float((ROUNDING_VARIANCE - slope[1]) / slope[0]), 0.0)
        dark_from = "where the line of variances meets that of rounding alone"
        read2, gain, covariance = _line(level - dark_dn, variance, count)
    read = float(np.sqrt(max(read2, ROUNDING_VARIANCE)))
    return PhotonTransfer(
        NoiseModel(read, gain, bits, dark_dn),
        float(np.sqrt(covariance[0, 0])) / (2 * read),
        float(np.sqrt(covariance[1, 1])),
        level,
        variance,
        count,
        dark_from,
    )


def phase_ripple(captures: Sequence[Capture], noise: NoiseModel) -> Ripple | None:
    """Find the phase error that repeats with the fringe; None where a capture has one set of fringes only.

    `noise` is that of the camera, without the ripple. Saturated pixels are left out. The harmonics up to the
    eighth of the mean curve are taken, less what noise would give.
    """
    sums = np.zeros((3, _PHASE_BINS))
    for capture in captures:
        made = _comparison(capture, noise)
        if made is None:
            return None
        phase, error = made
        index = np.minimum((phase % (2 * np.pi)) / (2 * np.pi) * _PHASE_BINS, _PHASE_BINS - 1).astype(int)
        for n, values in enumerate((np.ones_like(error), error, error**2)):
            sums[n] += np.bincount(index, values, minlength=_PHASE_BINS)
    if sums[0].min() < _LEAST_IN_BIN:
        raise NotMeasurable(
            "too little of the scene is lit well enough to see the ripple of the phase: fill the picture with"
            " an evenly lit, smooth, light surface"
        )
    return _ripple_of(sums)


def _pairs(captures: Sequence[Capture]) -> Iterable[FramePair]:
    if len(captures) < 2:
        raise NotMeasurable("noise shows in repeats only: give two or more captures of one still scene")
    plan = [one.fringe_set for one in captures[0].sets]
    for earlier, later in pairwise(captures):
        if [one.fringe_set for one in later.sets] != plan:
            raise NotMeasurable("the captures show different fringes: repeat one capture")
        for first, second in zip(earlier.sets, later.sets, strict=True):
            for a, b in zip(first.frames, second.frames, strict=True):
                yield a.astype(np.float32), b.astype(np.float32)


def _binned(pairs: Sequence[FramePair], top: float) -> _Bins:
    """Variance of one frame in bins of level; differences beyond 3 standard deviations are left out."""
    line = None
    for _ in range(_CLIPPINGS):
        sums = np.zeros((3, _LEVEL_BINS))
        for a, b in pairs:
            level = (a + b) / 2
            apart = (b - a) - level * (float((b - a).mean()) / max(float(level.mean()), 1e-6))
            index = np.minimum(level * (_LEVEL_BINS / top), _LEVEL_BINS - 1).astype(int)
            variance = (
                2 * np.maximum(line[0] + line[1] * level, ROUNDING_VARIANCE) if line is not None else np.inf
            )
            fits = apart * apart <= 9 * variance
            for n, values in enumerate((np.ones_like(level), level, apart * apart / 2)):
                sums[n] += np.bincount(index[fits], values[fits], minlength=_LEVEL_BINS)
        with np.errstate(invalid="ignore", divide="ignore"):
            square = sums[2] / sums[0] / (1.0 if line is None else _WITHIN_3)
            bins = _Bins(sums[0], sums[1] / sums[0], square)
        good = (bins.count >= _LEAST_IN_BIN) & _clear(bins, top)
        if good.sum() < _LEAST_BINS:
            raise NotMeasurable(
                "the scene has too few grey levels to tell read-out noise from gain: take it with the fringes"
                " well lit, bright but not at the camera's limit"
            )
        line = _line(bins.level[good], bins.square[good], bins.count[good])[:2]
    return bins


def _clear(bins: _Bins, top: float) -> npt.NDArray[np.bool_]:
    """Bins so far from black and from saturation that nothing is cut off."""
    room = _CLEAR_OF_ENDS * np.sqrt(np.maximum(np.nan_to_num(bins.square), ROUNDING_VARIANCE))
    low = np.arange(_LEVEL_BINS) * top / _LEVEL_BINS
    return np.asarray((low > room) & (low + top / _LEVEL_BINS < top - room))


def _dark_level(dark: Sequence[Capture]) -> tuple[float, str]:
    if not dark:
        return 0.0, "not told from the read-out noise, put at 0"
    levels = [float(np.mean(one.frames)) for capture in dark for one in capture.sets]
    return max(float(np.mean(levels)), 0.0), "frames with the light off"


def _line(light: Array, variance: Array, count: Array) -> tuple[float, float, Array]:
    """read² and gain, neither below 0, weighted by what the bins' own variances scatter: 2 v² / n."""
    expected = variance
    for _ in range(_FITS):
        weight = np.sqrt(count / 2) / expected
        design = np.column_stack([np.ones_like(light), np.maximum(light, 0.0)])
        found, _ = nnls(design * weight[:, None], variance * weight)
        expected = np.maximum(design @ found, ROUNDING_VARIANCE)
    left = (variance - design @ found) * weight
    spread = max(float(left @ left) / max(len(left) - 2, 1), 1.0)
    inverse = np.linalg.inv((design * weight[:, None]).T @ (design * weight[:, None]))
    return float(found[0]), float(found[1]), np.asarray(inverse * spread)


def _comparison(capture: Capture, noise: NoiseModel) -> tuple[Array, Array] | None:
    """Phase of the second finest set, and how far it is from what the column says, at well lit pixels."""
    sets = sorted(capture.column_sets, key=lambda one: one.fringe_set.fringes)
    if len(sets) < 2:
        return None
    ladder = climb([one.fringe_set for one in sets])
    decoded = decode_sets(sets, ladder, noise)
    coarse = sets[-2]
    phase, lit = _phase(coarse, (1 << capture.bits) - 1)
    column = decoded.column.ravel().astype(np.float64)
    good = lit & ((decoded.flags & _SPOILT) == 0).ravel() & np.isfinite(column)
    apart = phase[good] - 2 * np.pi * coarse.fringe_set.fringes * column[good]
    return phase[good], np.asarray((apart + np.pi) % (2 * np.pi) - np.pi)


def _phase(one: FringeFrames, top: int) -> tuple[Array, npt.NDArray[np.bool_]]:
    solve = np.linalg.pinv(one.fringe_set.design)
    frames = one.frames.reshape(len(one.frames), -1)
    _, cosine, sine = solve @ frames
    lit = (np.hypot(cosine, sine) > _LEAST_MODULATION) & (frames.max(axis=0) < top)
    return np.asarray(np.arctan2(sine, cosine)), np.asarray(lit)


def _ripple_of(sums: Array) -> Ripple:
    mean = sums[1] / sums[0]
    mean = mean - np.mean(mean)
    scatter = np.maximum(sums[2] / sums[0] - (sums[1] / sums[0]) ** 2, 0.0) / sums[0]
    spectrum = np.fft.rfft(mean)
    spectrum[_HARMONICS + 1 :] = 0
    curve = np.fft.irfft(spectrum, _PHASE_BINS)
    noise = float(np.mean(scatter)) * 2 * _HARMONICS / _PHASE_BINS
    rms = float(np.sqrt(max(float(np.mean(curve**2)) - noise, 0.0)))
    centre = (np.arange(_PHASE_BINS) + 0.5) * 2 * np.pi / _PHASE_BINS
    return Ripple(rms, float(np.abs(curve).max()), centre, curve)
