"""A dark line on the photo: where it runs between marks, to a fraction of a pixel across it.

First the cheapest way from the first mark to the last over a ridge filter of the photo, near the marks'
joins; then, at every pixel along it, the place across the line at which a blurred dark stripe fits the grey
levels best; then a smooth curve through these places whose smoothness their own scatter decides.
A curve through scattered places reads long and one smoothed too much reads short: what the curve leaves
unknown adds half the mean square of its slopes to a length, and is added to it (`DarkLine.lengthening`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.special import ndtr

from fringewise.core.checks import Array
from fringewise.findings.photo_levels import Photo, grey_of, levels_across
from fringewise.findings.ragged import Ragged, smooth_ragged

REACH_PX: Final = 6.0
"""How far across the line an end mark may lie from it to be drawn to it."""

_BAND_PX: Final = (8.0, 20.0)
_BAND_SHARE: Final = 0.12
_SCALES_PX: Final = (1.0, 1.5, 2.2, 3.2)
_FLOOR: Final = 0.05
_STRONG: Final = 90.0
_CHAIN_SMOOTHING_PX: Final = 2.0
_BEYOND_PX: Final = 4.0
_TURNING_PX: Final = 2
_PASSES: Final = 3
_KNOT_PX: Final = 4.0
_LEAST_CONTRAST: Final = 0.06
_SURE: Final = 5.0
_LEAST_SEEN: Final = 0.6
_WIDTHS_PX: Final = tuple(np.geomspace(0.8, 16.0, 40))
_BLURS_PX: Final = tuple(np.linspace(0.3, 1.5, 9))
_RESOLVED: Final = 1.5


@dataclass(frozen=True, slots=True)
class DarkLine:
    """A dark line between two marks' feet on it.

    Attributes
    ----------
    line_px : (N, 2) array
        Points along it about a pixel apart, the first mark's foot first and the last one's last.
    normals : (N, 2) array
        Unit directions across it.
    terms : (N, K) array
        How the place across follows the curve's terms.
    covariance : (K, K) array
        Of these terms, px².
    lengthening : float
        Share by which the line is longer than the curve, on average, by the turns that the curve leaves out.
    feet_px : (M, 2) array
        Every mark's foot.
    width_px : float
        The stripe's own width; 0 where the blur hides it.
    seen : float
        Share of the line where it stands out.
    """

    line_px: Array
    normals: Array
    terms: Array
    covariance: Array
    lengthening: float
    feet_px: Array
    width_px: float
    seen: float

    @property
    def across_sigma_px(self) -> Array:
        """Standard uncertainty (N,) of the place across the line."""
        variance = np.einsum("nk,kl,nl->n", self.terms, self.covariance, self.terms, optimize=True)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def follow_dark_line(photo: Photo, marks_px: Array) -> DarkLine | None:
    """Follow the dark line that marks (N, 2) were set along; None where there is none within reach.

    Parameters
    ----------
    photo : (H, W) or (H, W, 3) array
    marks_px : (N, 2) array
        Two or more marks, the line's ends first and last.

    Examples
    --------
    >>> v, u = np.mgrid[:60, :200].astype(float)
    >>> away = np.abs(v - 30 - 4 * np.sin(u / 20))
    >>> photo = (180 - 150 * np.clip(2 - away, 0, 1)).astype(np.uint8)
    >>> line = follow_dark_line(photo, np.array([[20.0, 34.5], [100.0, 25.5], [170.0, 33.0]]))
    >>> bool(np.abs(line.line_px[:, 1] - 30 - 4 * np.sin(line.line_px[:, 0] / 20)).max() < 0.15)
    True
    """
    grey = grey_of(photo)
    chain = _cheapest_way(grey, marks_px)
    if chain is None:
        return None
    curve = _evenly(_extended(_smoothed(chain)))
    width, blur = 3.0, 0.7
    for step in range(_PASSES):
        found = _stripe_places(grey, curve, width, blur)
        if found is None or found.seen.mean() < _LEAST_SEEN:
            return None
        width, blur = found.width, found.blur
        fitted = smooth_ragged(found.along, found.across, found.sigma, _KNOT_PX)
        if step == _PASSES - 1:
            return _made(curve, fitted, found, marks_px)
        curve = _evenly(curve + fitted.values(found.along)[:, None] * _across(curve))
    return None


@dataclass(frozen=True, slots=True)
class _Places:
    """Where the stripe lies across a curve: stations along it; `sigma` is infinite where unseen."""

    along: Array
    across: Array
    sigma: Array
    seen: npt.NDArray[np.bool_]
    width: float
    blur: float


def _ridges(grey: npt.NDArray[np.float32]) -> Array:
    """How like a dark line each pixel is: the second derivative across, at the best of several scales."""
    best = np.zeros(grey.shape)
    for scale in _SCALES_PX:
        blurred = cv2.GaussianBlur(grey, (0, 0), scale, borderType=cv2.BORDER_REPLICATE)
        uu = cv2.Sobel(blurred, cv2.CV_64F, 2, 0, ksize=3) / 4
        vv = cv2.Sobel(blurred, cv2.CV_64F, 0, 2, ksize=3) / 4
        uv = cv2.Sobel(blurred, cv2.CV_64F, 1, 1, ksize=3) / 4
        across = (uu + vv) / 2 + np.hypot((uu - vv) / 2, uv)
        best = np.maximum(best, scale**2 * across)
    return best


def _cheapest_way(grey: npt.NDArray[np.float32], marks_px: Array) -> Array | None:
    """Pixels (N, 2) of the cheapest way from the first to the last mark, near the marks' joins."""
    longest = float(np.linalg.norm(np.diff(marks_px, axis=0), axis=1).max())
    reach = float(np.clip(_BAND_SHARE * longest, *_BAND_PX))
    low = np.maximum(np.floor(marks_px.min(axis=0) - reach - 8).astype(int), 0)
    high = np.ceil(marks_px.max(axis=0) + reach + 9).astype(int)
    cut = grey[low[1] : high[1], low[0] : high[0]]
    joins = np.full(cut.shape, 255, dtype=np.uint8)
    cv2.polylines(joins, [np.rint((marks_px - low) * 16).astype(np.int32)], False, 0, shift=4)
    near = cv2.distanceTransform(joins, cv2.DIST_L2, 5) <= reach
    ridges = _ridges(cut)
    strong = float(np.percentile(ridges[joins == 0], _STRONG))
    if strong <= 0:
        return None
    cost = 1 / (_FLOOR + np.clip(ridges / strong, 0, 1))
    ends = [np.rint(mark - low).astype(int) for mark in (marks_px[0], marks_px[-1])]
    way = _shortest(cost, near, ends[0], ends[1])
    return None if way is None else way + low


def _shortest(cost: Array, near: npt.NDArray[np.bool_], start: Array, stop: Array) -> Array | None:
    height, width = cost.shape
    number = np.where(near, np.cumsum(near.ravel()).reshape(near.shape) - 1, -1)
    first, second, lengths = [], [], []
    for dv, du in ((0, 1), (1, 0), (1, 1), (1, -1)):
        a = np.s_[: height - dv, max(-du, 0) : width - max(du, 0)]
        b = np.s_[dv:, max(du, 0) : width - max(-du, 0)]
        both = near[a] & near[b]
        first.append(number[a][both])
        second.append(number[b][both])
        lengths.append(np.hypot(dv, du) * (cost[a] + cost[b])[both] / 2)
    count = int(near.sum())
    graph = coo_array(
        (np.concatenate(lengths), (np.concatenate(first), np.concatenate(second))), shape=(count, count)
    ).tocsr()
    begin, end = (int(number[at[1], at[0]]) for at in (start, stop))
    _, before = dijkstra(graph, directed=False, indices=np.array([begin]), return_predecessors=True)
    before = before[0]
    way = [end]
    while way[-1] != begin:
        if before[way[-1]] < 0:
            return None
        way.append(int(before[way[-1]]))
    rows, columns = np.nonzero(near)
    return np.column_stack([columns[way[::-1]], rows[way[::-1]]]).astype(np.float64)


def _smoothed(chain: Array) -> Array:
    """The chain of pixels with its steps smoothed away; what that cuts off corners is put right later."""
    even = _evenly(chain)
    half = int(3 * _CHAIN_SMOOTHING_PX)
    weights = np.exp(-0.5 * (np.arange(-half, half + 1) / _CHAIN_SMOOTHING_PX) ** 2)
    padded = np.vstack(
        [2 * even[0] - even[half:0:-1], even, 2 * even[-1] - even[-2 : -half - 2 : -1]]
        if len(even) > half
        else [np.repeat(even[:1], half, axis=0), even, np.repeat(even[-1:], half, axis=0)]
    )
    return np.column_stack([np.convolve(padded[:, n], weights / weights.sum(), mode="valid") for n in (0, 1)])


def _extended(curve: Array) -> Array:
    """The curve without its ends, where it turns aside to the marks, and carried on straight instead."""
    lost = min(_TURNING_PX, (len(curve) - 1) // 3)
    curve = curve[lost : len(curve) - lost]
    reach = min(6, len(curve) - 1)
    ways = [curve[0] - curve[reach], curve[-1] - curve[-1 - reach]]
    first, last = ((_BEYOND_PX + lost) * way / max(float(np.linalg.norm(way)), 1e-9) for way in ways)
    return np.vstack([curve[0] + first, curve, curve[-1] + last])


def _evenly(curve: Array) -> Array:
    """The curve's points about a pixel apart."""
    along = _arc(curve)
    at = np.linspace(0.0, along[-1], max(round(along[-1]), 8) + 1)
    return np.column_stack([np.interp(at, along, curve[:, n]) for n in (0, 1)])


def _arc(curve: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])


def _across(curve: Array) -> Array:
    slope = np.gradient(curve, axis=0)
    slope /= np.linalg.norm(slope, axis=1, keepdims=True)
    return np.column_stack([-slope[:, 1], slope[:, 0]])


def _stripe(x: Array, width: float, blur: float) -> tuple[Array, Array]:
    """A blurred stripe of height 1 about 0, and minus its slope."""
    a, b = (x + width / 2) / blur, (x - width / 2) / blur
    bell = (np.exp(-0.5 * b * b) - np.exp(-0.5 * a * a)) / (np.sqrt(2 * np.pi) * blur)
    return ndtr(a) - ndtr(b), bell


def _stripe_places(grey: npt.NDArray[np.float32], curve: Array, width: float, blur: float) -> _Places | None:
    """Fit light (level, slope), depth and place of a stripe across the curve at each of its points."""
    half = max(5, round(1.5 * width + 3))
    x = np.arange(-half, half + 1.0)
    normals = _across(curve)
    levels = levels_across(grey, curve, normals, x)
    width, blur = _best_stripe(x, levels)
    shape, slope = _stripe(x, width, blur)
    design = np.column_stack([np.ones_like(x), x / half, -shape, -slope])
    inverse = np.linalg.inv(design.T @ design)
    terms = levels @ design @ inverse
    scatter2 = np.sum((levels - terms @ design.T) ** 2, axis=1) / (len(x) - 4)
    noise2 = float(np.median(scatter2))
    depth = terms[:, 2]
    seen = (depth > _SURE * np.sqrt(noise2 * inverse[2, 2])) & (depth > _LEAST_CONTRAST * terms[:, 0])
    if not seen.any():
        return None
    across = np.clip(terms[:, 3] / np.where(seen, depth, np.inf), -2.0, 2.0)
    sigma = np.sqrt(np.maximum(scatter2, noise2) * inverse[3, 3]) / np.where(seen, depth, np.nan)
    return _Places(_arc(curve), across, np.where(seen, sigma, np.inf), seen, width, blur)


def _best_stripe(x: Array, levels: Array) -> tuple[float, float]:
    """Width and blur of the stripe that fits the mean profile best."""
    mean = np.median(levels, axis=0)
    best = (np.inf, 3.0, 0.7)
    for blur in _BLURS_PX:
        for width in _WIDTHS_PX:
            if width > x[-1]:
                break
            shape, slope = _stripe(x, width, blur)
            design = np.column_stack([np.ones_like(x), x, shape, slope])
            terms = np.linalg.solve(design.T @ design, design.T @ mean)
            best = min(best, (float(np.sum((mean - design @ terms) ** 2)), float(width), float(blur)))
    return best[1], best[2]


def _made(base: Array, fitted: Ragged, found: _Places, marks_px: Array) -> DarkLine | None:
    normals, along = _across(base), found.along
    curve = base + fitted.values(along)[:, None] * normals
    feet = np.array([_foot(curve, mark) for mark in marks_px])
    places = feet[:, 0] + feet[:, 1]
    points = np.column_stack([np.interp(places, np.arange(len(curve)), curve[:, n]) for n in (0, 1)])
    away = np.linalg.norm(points - marks_px, axis=1)
    if max(away[0], away[-1]) > REACH_PX or places[0] >= places[-1]:
        return None
    inner = np.arange(int(np.floor(places[0])) + 1, int(np.ceil(places[-1])))
    index = np.concatenate([[places[0]], inner, [places[-1]]])
    at = np.interp(index, np.arange(len(along)), along)
    line = np.column_stack([np.interp(index, np.arange(len(curve)), curve[:, n]) for n in (0, 1)])
    slopes = fitted.slope_variance(at)
    width = found.width if found.width > _RESOLVED * found.blur else 0.0
    return DarkLine(
        line,
        np.column_stack([np.interp(index, np.arange(len(curve)), normals[:, n]) for n in (0, 1)]),
        fitted.basis(at),
        fitted.covariance,
        float(slopes.mean()) / 2,
        points,
        width,
        float(found.seen[inner].mean()) if len(inner) else 0.0,
    )


def _foot(curve: Array, mark: Array) -> tuple[int, float]:
    """Nearest place of a curve to a mark: number of a side and share along it, beyond the ends too."""
    sides = np.diff(curve, axis=0)
    square = np.sum(sides**2, axis=1)
    share = np.einsum("ni,ni->n", mark - curve[:-1], sides) / square
    kept = np.clip(share, 0.0, 1.0)
    nearest = int(np.argmin(np.sum((curve[:-1] + kept[:, None] * sides - mark) ** 2, axis=1)))
    return nearest, float(kept[nearest])
