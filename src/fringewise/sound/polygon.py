"""Outlines: which points lie inside, integrals over the inside, and pixels near it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable

BoolArray = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.intp]

_SCALE_BITS: Final = 6


@dataclass(frozen=True, slots=True)
class Window:
    """A window of the photo round an outline, with each pixel's distance from it.

    Attributes
    ----------
    first_u, first_v : int
        The window's first pixel.
    inside : (h, w) bool
        Pixels whose centre lies inside the outline.
    distance_px : (h, w) float
        Distance outside the outline; 0 inside.
    """

    first_u: int
    first_v: int
    inside: BoolArray
    distance_px: npt.NDArray[np.float32]


def window_round(outline_px: Array, reach_px: float, shape: tuple[int, int]) -> Window:
    """Cut a window of the photo that reaches `reach_px` beyond the outline (N, 2).

    Raises
    ------
    NotMeasurable
        Where no pixel of the photo lies inside the outline.
    """
    low = np.floor(outline_px.min(axis=0) - reach_px).astype(int)
    high = np.ceil(outline_px.max(axis=0) + reach_px).astype(int)
    first_u, first_v = np.maximum(low, 0)
    last_u, last_v = np.minimum(high, [shape[1] - 1, shape[0] - 1])
    if last_u < first_u or last_v < first_v:
        raise NotMeasurable("the outline lies outside the photo")
    filled = np.zeros((last_v - first_v + 1, last_u - first_u + 1), dtype=np.uint8)
    moved = np.round((outline_px - [first_u, first_v]) * (1 << _SCALE_BITS)).astype(np.int32)
    cv2.fillPoly(filled, [moved], 255, shift=_SCALE_BITS)
    if not filled.any():
        raise NotMeasurable("the outline is too small: no pixel lies inside it")
    distance = cv2.distanceTransform(255 - filled, cv2.DIST_L2, 5)
    return Window(int(first_u), int(first_v), filled > 0, np.asarray(distance, dtype=np.float32))


def crosses_itself(outline: Array) -> bool:
    """Whether two sides of a closed outline (N, 2) cross.

    Examples
    --------
    >>> crosses_itself(np.array([[0, 0], [1, 1], [1, 0], [0, 1]])), crosses_itself(np.eye(3, 2))
    (True, False)
    """
    a, b = outline, np.roll(outline, -1, axis=0)
    n = len(a)

    def side(p: Array, q: Array, r: Array) -> Array:
        return np.asarray(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1])
            - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    for i in range(n - 2):  # side by side: all pairs at once would need gigabytes for thousands of marks
        others = slice(i + 2, n - (i == 0))
        c, d = a[others], b[others]
        first = side(a[i], b[i], c) * side(a[i], b[i], d)
        second = side(c, d, a[i]) * side(c, d, b[i])
        if np.any((first < 0) & (second < 0)):
            return True
    return False


def inside_nodes(outline: Array, most_step: float) -> tuple[Array, Array, Array]:
    """Nodes and weights that integrate a smooth function over the inside of an outline (N, 2).

    Gauss-Legendre in strips between the corners' heights and between the crossings of each line, so that the
    integral of a polynomial up to degree 4 is exact. Strips and spans are cut to `most_step` at most.

    Examples
    --------
    >>> x, y, weights = inside_nodes(np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 1.0]]), 1.0)
    >>> round(float(weights.sum()), 12), round(float((weights * x * y).sum()), 12)
    (1.0, 0.166666666667)
    """
    nodes, node_weights = np.polynomial.legendre.leggauss(3)
    low, high = _cut(*_gaps(np.unique(outline[:, 1])), most_step)[:2]
    height = (((low + high)[:, None] + nodes * (high - low)[:, None]) / 2).ravel()
    height_weight = ((high - low)[:, None] * node_weights / 2).ravel()
    line, left, right = _spans(outline, height)
    left, right, of_span = _cut(left, right, most_step)
    line = line[of_span]
    x = ((left + right)[:, None] + nodes * (right - left)[:, None]) / 2
    weights = (right - left)[:, None] * node_weights / 2 * height_weight[line, None]
    return x.ravel(), np.repeat(height[line], len(nodes)), weights.ravel()


def signed_area(outline: Array) -> float:
    """Area inside an outline (N, 2), positive when it turns from +x to +y."""
    x, y = outline[:, 0], outline[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _gaps(stops: Array) -> tuple[Array, Array]:
    return stops[:-1], stops[1:]


def _cut(low: Array, high: Array, most_step: float) -> tuple[Array, Array, Numbers]:
    """Cut spans into even pieces of `most_step` at most: their ends, and which span each comes from."""
    pieces = np.maximum(np.ceil((high - low) / most_step).astype(np.intp), 1)
    of_span = np.repeat(np.arange(len(low)), pieces)
    number = np.arange(len(of_span)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    step = ((high - low) / pieces)[of_span]
    start = low[of_span] + number * step
    return start, start + step, of_span


def _spans(outline: Array, heights: Array) -> tuple[Numbers, Array, Array]:
    """Spans of lines at rising heights inside the outline: number of the line, left end, right end."""
    a, b = outline, np.roll(outline, -1, axis=0)
    first = np.searchsorted(heights, np.minimum(a[:, 1], b[:, 1]), side="right")
    beyond = np.searchsorted(heights, np.maximum(a[:, 1], b[:, 1]), side="right")
    met = beyond - first
    side = np.repeat(np.arange(len(a)), met)
    line = np.arange(len(side)) - np.repeat(np.cumsum(met) - met, met) + first[side]
    a, b = a[side], b[side]
    x = a[:, 0] + (heights[line] - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
    order = np.lexsort((x, line))
    return line[order][::2], x[order][::2], x[order][1::2]
