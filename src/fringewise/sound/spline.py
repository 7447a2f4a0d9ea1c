"""Cubic B-splines on even knots, and sums over many points of their products, kept as a band.

A term of the two-dimensional spline is numbered ix · ny + iy. Each place touches 4 × 4 terms, so that the
matrix of the sums of products has a band of 3 ny + 3 below its diagonal and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.kernels import kernel

Starts = npt.NDArray[np.int64]

ORDER: Final = 3


@dataclass(frozen=True, slots=True)
class Axis:
    """Cubic B-splines over one direction: `spans` even spans of width `step` from `low` on."""

    low: float
    step: float
    spans: int

    @property
    def count(self) -> int:
        """Number of splines."""
        return self.spans + ORDER

    def local(self, at: Array, derivative: int = 0) -> tuple[Starts, Array]:
        """First spline (N,) that a place touches, and the values (N, 4) of it and the next three.

        Places outside are treated as the nearest end.
        """
        t = np.clip((at - self.low) / self.step, 0.0, self.spans - 1e-9)
        start = np.floor(t).astype(np.int64)
        return start, _pieces(t - start, derivative) / self.step**derivative

    def dense(self, at: Array, derivative: int = 0) -> Array:
        """Values (N, count) of all splines."""
        start, values = self.local(np.asarray(at).ravel(), derivative)
        rows = np.zeros((len(start), self.count))
        np.put_along_axis(rows, start[:, None] + np.arange(ORDER + 1), values, axis=1)
        return rows

    @property
    def nodes(self) -> tuple[Array, Array]:
        """Nodes and weights of a quadrature over the axis in units of a span, two to each span."""
        nodes, weights = np.polynomial.legendre.leggauss(2)
        at = self.low + self.step * (np.arange(self.spans)[:, None] + (nodes + 1) / 2).ravel()
        return at, np.tile(weights / 2, self.spans)


def _pieces(t: Array, derivative: int) -> Array:
    """Values (N, 4) of the four cubic pieces, or a derivative, at t within a span (0 … 1)."""
    one = np.ones_like(t)
    if derivative == 0:
        parts = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)
    elif derivative == 1:
        parts = (-3 * (1 - t) ** 2, 9 * t**2 - 12 * t, -9 * t**2 + 6 * t + 3, 3 * t**2)
    elif derivative == 2:
        parts = (6 * (1 - t), 18 * t - 12, -18 * t + 6, 6 * t)
    else:
        parts = (-6 * one, 18 * one, -18 * one, 6 * one)
    return np.stack(parts, axis=-1) / 6


@kernel()
def add_products(
    start_x: Starts, in_x: Array, start_y: Starts, in_y: Array, weight: Array, count_y: int, band: Array
) -> None:
    """Add Σ weight · (term i) (term j) over places to `band` (lower form: band[i - j, j])."""
    for n in range(len(weight)):
        for a in range(4):
            for b in range(4):
                i = (start_x[n] + a) * count_y + start_y[n] + b
                own = weight[n] * in_x[n, a] * in_y[n, b]
                for c in range(a + 1):
                    last = b + 1 if c == a else 4
                    for d in range(last):
                        j = (start_x[n] + c) * count_y + start_y[n] + d
                        band[i - j, j] += own * in_x[n, c] * in_y[n, d]


@kernel()
def add_values(
    start_x: Starts, in_x: Array, start_y: Starts, in_y: Array, weight: Array, count_y: int, into: Array
) -> None:
    """Add Σ weight · (term i) over places to `into` (K,)."""
    for n in range(len(weight)):
        for a in range(4):
            for b in range(4):
                into[(start_x[n] + a) * count_y + start_y[n] + b] += weight[n] * in_x[n, a] * in_y[n, b]
