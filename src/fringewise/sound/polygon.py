"""Outlines: which points lie inside, integrals over the inside, and pixels near it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable

BoolArray = npt.NDArray[np.bool_]

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
    i, j = np.triu_indices(n, 2)
    apart = ~((i == 0) & (j == n - 1))
    i, j = i[apart], j[apart]

    def side(p: Array, q: Array, r: Array) -> Array:
        return (q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0])

    first = side(a[i], b[i], a[j]) * side(a[i], b[i], b[j])
    second = side(a[j], b[j], a[i]) * side(a[j], b[j], b[i])
    return bool(np.any((first < 0) & (second < 0)))


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
    heights = np.unique(outline[:, 1])
    all_x: list[Array] = []
    all_y: list[Array] = []
    all_weights: list[Array] = []
    for low, high in _cut(heights, most_step):
        for node, node_weight in zip(nodes, node_weights, strict=True):
            y = (low + high) / 2 + node * (high - low) / 2
            for left, right in _spans(outline, y):
                edges = np.array(list(_cut(np.array([left, right]), most_step)))
                middle, half = edges.mean(axis=1), np.diff(edges, axis=1)[:, 0] / 2
                x = (middle[:, None] + half[:, None] * nodes).ravel()
                weights = (half[:, None] * node_weights).ravel() * node_weight * (high - low) / 2
                all_x.append(x)
                all_y.append(np.full_like(x, y))
                all_weights.append(weights)
    if not all_x:
        return np.empty(0), np.empty(0), np.empty(0)
    return np.concatenate(all_x), np.concatenate(all_y), np.concatenate(all_weights)


def signed_area(outline: Array) -> float:
    """Area inside an outline (N, 2), positive when it turns from +x to +y."""
    x, y = outline[:, 0], outline[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _cut(stops: Array, most_step: float) -> list[tuple[float, float]]:
    pieces: list[tuple[float, float]] = []
    for low, high in itertools.pairwise(stops):
        if high > low:
            edges = np.linspace(low, high, int(np.ceil((high - low) / most_step)) + 1)
            pieces.extend(itertools.pairwise(edges))
    return pieces


def _spans(outline: Array, y: float) -> list[tuple[float, float]]:
    a, b = outline, np.roll(outline, -1, axis=0)
    cut = (a[:, 1] > y) != (b[:, 1] > y)
    a, b = a[cut], b[cut]
    x = np.sort(a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))
    return list(zip(x[0::2], x[1::2], strict=True))
