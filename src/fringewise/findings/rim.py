"""The rim of a hole on the photo: a closed line where metal ends, found to a fraction of a pixel.

A rough rim parts the pixels that look like the metal from those that look like what lies behind; at every
pixel along it a blurred step, with its own light on both sides, is then fitted to the grey levels across it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.findings.photo_levels import levels_across
from fringewise.findings.ragged import smooth_ragged
from fringewise.sound.polygon import signed_area

Float32Array = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]

_REACH_PX: Final = 5
_SMOOTHING_PX: Final = (3.0, 1.5)
_PASSES: Final = 5
_REBASED: Final = 2
_EVENED_PX: Final = 1.5
_SHARED: Final = 1.5  # stations a pixel apart share pixels: averaging helps less
_MOST_STEP_PX: Final = 2.0
_FAR_PX: Final = 3.0
_LEAST_SHARE: Final = 0.4
_FIRST_SIGMA_PX: Final = 0.1
_PIXEL_SIGMA_PX: Final = 0.02  # how a sharp edge is seen hangs on where it crosses the pixels
_MOST_ROUNDING_PX: Final = 0.3
_BLURS_PX: Final = tuple(np.linspace(0.4, 2.0, 17))
_SAMPLE_PX: Final = 0.5
_LEAST_CONTRAST: Final = 0.12
_SURE: Final = 6.0
_LEAST_CLEAR: Final = 0.75
_LEAST_POINTS: Final = 12
_GROWN_PX: Final = 2
_NEIGHBOURS: Final = 3
_KNOT_PX: Final = 3.0
_LAP_PX: Final = 16


@dataclass(frozen=True, slots=True)
class Rim:
    """A closed line (N points, about a pixel apart) with its doubt.

    Attributes
    ----------
    points_px : (N, 2) array
    normals : (N, 2) array
        Unit directions from the hole to the metal.
    factor_px : (N, K) array
        Root of the covariance of the points across the line: factor · factorᵀ, px².
    blur_px : float
        Blur of the edge.
    clear : float
        Share of the rim where it stands out; the rest is carried across.
    """

    points_px: Array
    normals: Array
    factor_px: Array
    blur_px: float
    clear: float


def find_rim(grey: Float32Array, hole: BoolArray, metal: BoolArray) -> Rim:
    """Find the rim between a rough hole and the metal round it.

    Parameters
    ----------
    grey : (h, w) array
        Grey levels of a window of the photo.
    hole : (h, w) bool
        Where there is no surface of the metal; may be a few pixels too large.
    metal : (h, w) bool
        Sound metal near the hole.

    Returns
    -------
    Rim
        In the window's pixels.

    Raises
    ------
    NotMeasurable
        Where the rim does not stand out.

    Examples
    --------
    >>> v, u = np.mgrid[:60, :60]
    >>> away = np.hypot(u - 30.3, v - 29.6) - 12.0
    >>> grey = (150 * np.clip(away + 0.5, 0, 1) + 5).astype(np.float32)
    >>> rim = find_rim(grey, away < 2, away > 5)
    >>> bool(np.abs(np.hypot(*(rim.points_px - [30.3, 29.6]).T) - 12.0).max() < 0.1)
    True
    """
    base = _even(_smoothed(_rough(grey, hole, metal), _SMOOTHING_PX[0]))
    normals, off = _outward(base), np.zeros(len(base))
    for step in range(_PASSES):
        curve = base + off[:, None] * normals
        afar = step in (0, _REBASED)
        found = _crossings(grey, curve, normals) if afar else _steps(grey, curve, normals)
        if found.clear.mean() < _LEAST_CLEAR or found.clear.sum() < _LEAST_POINTS:
            raise NotMeasurable(
                "the hole's rim does not stand out from what lies behind it: look from another side, "
                "or change the light"
            )
        if step == _PASSES - 1:  # what the smooth line still lacks, as at narrow turns
            more, factor = _evened(found)
            off = off + more
            break
        off = _smooth_round(off + found.across, found.sigma)
        if step == _REBASED - 1:  # once more from a line close to the rim, with normals square to it
            base = _even(_smoothed(base + off[:, None] * normals, _SMOOTHING_PX[1]))
            normals, off = _outward(base), np.zeros(len(base))
    curve = base + off[:, None] * normals
    off = _rounding(curve, normals, found.blur)
    return Rim(curve + off[:, None] * normals, normals, factor, found.blur, float(found.clear.mean()))


@dataclass(frozen=True, slots=True)
class _Places:
    """Where the rim crosses each point's normal; sigma is infinite where that is not clear."""

    across: Array
    sigma: Array
    clear: BoolArray
    blur: float


def _smooth_round(places: Array, sigma: Array) -> Array:
    """Smooth places along a closed line, their own scatter deciding how much."""
    count = len(places)
    lap = min(_LAP_PX, count)
    index = np.arange(-lap, count + lap)
    line = smooth_ragged(index.astype(np.float64), places[index % count], sigma[index % count], _KNOT_PX)
    return line.values(np.arange(count, dtype=np.float64))


def _evened(found: _Places) -> tuple[Array, Array]:
    """Places averaged over near neighbours along the closed line, and the root of their covariance."""
    count = len(found.across)
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    apart = np.minimum(apart, count - apart)
    weights = np.exp(-0.5 * (apart / _EVENED_PX) ** 2) * found.clear
    weights /= np.maximum(weights.sum(axis=1, keepdims=True), 1e-12)
    rest = found.across - weights @ found.across
    scatter = max(float(np.std(rest[found.clear])), float(np.median(found.sigma[found.clear])))
    return weights @ found.across, weights * (_SHARED * scatter)


def _rounding(curve: Array, normals: Array, blur: float) -> Array:
    """How far (px) blur draws the rim inwards where it bends: b²/2 times the curvature, smoothed a little."""
    way = np.roll(normals, -_NEIGHBOURS, axis=0) - np.roll(normals, _NEIGHBOURS, axis=0)
    apart = np.roll(curve, -_NEIGHBOURS, axis=0) - np.roll(curve, _NEIGHBOURS, axis=0)
    curvature = np.einsum("ni,ni->n", way, apart) / np.maximum(np.sum(apart**2, axis=1), 1e-12)
    return np.asarray(np.clip(blur**2 * curvature / 2, -_MOST_ROUNDING_PX, _MOST_ROUNDING_PX))


def _rough(grey: Float32Array, hole: BoolArray, metal: BoolArray) -> Array:
    """The rough rim: round the pixels that look more like the hole's middle than like the metal."""
    distance = cv2.distanceTransform(hole.astype(np.uint8), cv2.DIST_L2, 5)
    middle = hole & (distance >= 0.5 * distance.max())
    light, dark = float(np.median(grey[metal])), float(np.median(grey[middle]))
    if abs(light - dark) < _LEAST_CONTRAST * max(light, dark):
        raise NotMeasurable(
            "the hole is as bright as the metal round it: look from another side, or change the light"
        )
    grown = cv2.dilate(hole.astype(np.uint8), np.ones((2 * _GROWN_PX + 1,) * 2, dtype=np.uint8)) > 0
    like_hole = (np.abs(grey - dark) < np.abs(grey - light)) & grown
    count, parts, stats, _ = cv2.connectedComponentsWithStats(like_hole.astype(np.uint8), connectivity=4)
    if count < 2:
        raise NotMeasurable("no hole was found inside the outline")
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    contours, _ = cv2.findContours(
        (parts == largest).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    rough = max(contours, key=len)[:, 0].astype(np.float64)
    if len(rough) < _LEAST_POINTS:
        raise NotMeasurable("the hole is only a few pixels wide: move nearer")
    return np.asarray(rough if signed_area(rough) > 0 else rough[::-1])


def _even(curve: Array) -> Array:
    """A closed curve's points about a pixel apart."""
    closed = np.vstack([curve, curve[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], max(round(along[-1]), _LEAST_POINTS), endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, n]) for n in (0, 1)])


def _smoothed(curve: Array, sigma: float) -> Array:
    half = min(int(3 * sigma), len(curve) - 1)
    weights = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    wrapped = np.vstack([curve[-half:], curve, curve[:half]])
    return np.column_stack(
        [np.convolve(wrapped[:, n], weights / weights.sum(), mode="valid") for n in (0, 1)]
    )


def _outward(curve: Array) -> Array:
    """Unit normals away from the inside of a curve that turns from +u to +v, over a few neighbours."""
    way = np.zeros_like(curve)
    for n in range(1, _NEIGHBOURS + 1):
        way += np.roll(curve, -n, axis=0) - np.roll(curve, n, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    return np.column_stack([way[:, 1], -way[:, 0]])


def _crossings(grey: Float32Array, curve: Array, normals: Array) -> _Places:
    """First places, right for rims some pixels away: where a sharp step would hold as much dark."""
    x = _across()
    levels = levels_across(grey, curve, normals, x)
    inside, outside = (np.median(levels[:, part], axis=1) for part in (x <= -_FAR_PX, x >= _FAR_PX))
    height = outside - inside
    typical = float(np.median(height))
    clear = height * np.sign(typical) > _LEAST_SHARE * abs(typical)
    share = np.clip((levels - inside[:, None]) / np.where(clear, height, np.inf)[:, None], 0.0, 1.0)
    across = x[0] + np.sum(1 - share, axis=1) * _SAMPLE_PX - _SAMPLE_PX / 2
    return _Places(
        np.where(clear, across, 0.0), np.where(clear, _FIRST_SIGMA_PX, np.inf), np.asarray(clear), 0.7
    )


def _steps(grey: Float32Array, curve: Array, normals: Array) -> _Places:
    """Where a blurred step lies across each point, fitted to the levels.

    Levels are c₀ + c₃ x + (c₁ + c₂ x) Φ(x/b) − c₁ d φ(x/b)/b for a step at x = d near 0, with light that may
    slope on both sides (with a slope outside only, a blur that isn't quite a Gaussian moves it by 0.02 px).
    """
    x = _across()
    levels = levels_across(grey, curve, normals, x)
    blur = _best_blur(x, levels)
    design = _step_terms(x, blur)
    inverse = np.linalg.inv(design.T @ design)
    terms = levels @ design @ inverse
    scatter2 = np.sum((levels - terms @ design.T) ** 2, axis=1) / (len(x) - design.shape[1])
    scatter2 = np.maximum(scatter2, float(np.median(scatter2))) / _SAMPLE_PX  # samples share pixels
    height = terms[:, 1]
    typical = float(np.median(height))
    clear = height * np.sign(typical) > np.maximum(
        _SURE * np.sqrt(scatter2 * inverse[1, 1]), _LEAST_SHARE * abs(typical)
    )
    across = -terms[:, 3] / np.where(clear, height, np.inf)
    sigma = np.sqrt(scatter2 * inverse[3, 3]) / np.where(clear, np.abs(height), np.nan)
    sigma = np.hypot(sigma, _PIXEL_SIGMA_PX)
    clear &= np.abs(across) <= _MOST_STEP_PX
    return _Places(np.where(clear, across, 0.0), np.where(clear, sigma, np.inf), np.asarray(clear), blur)


def _across() -> Array:
    return np.arange(-_REACH_PX, _REACH_PX + _SAMPLE_PX / 2, _SAMPLE_PX)


def _step_terms(x: Array, blur: float) -> Array:
    step = ndtr(x / blur)
    bell = np.exp(-0.5 * (x / blur) ** 2) / (np.sqrt(2 * np.pi) * blur)
    return np.column_stack([np.ones_like(x), step, x * step, bell, x])


def _best_blur(x: Array, levels: Array) -> float:
    mean = np.median(levels, axis=0)
    misfits = []
    for blur in _BLURS_PX:
        design = _step_terms(x, blur)
        terms = np.linalg.lstsq(design, mean, rcond=None)[0]
        misfits.append(float(np.sum((mean - design @ terms) ** 2)))
    return float(_BLURS_PX[int(np.argmin(misfits))])
