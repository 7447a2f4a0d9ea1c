"""A smooth field whose splines lie along and across a line: long spans along it, short ones across."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from fringewise.core.checks import Array
from fringewise.sound.smooth import Smooth, fit_again, fit_smooth


@dataclass(frozen=True, slots=True)
class Turned(Smooth):
    """A smooth field of (x, y) kept as splines of (p, q) = matrix · (x, y).

    Attributes
    ----------
    matrix : (2, 2) array
    """

    matrix: Array = field(default_factory=lambda: np.eye(2))

    def basis(self, x: Array, y: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """Values (N, K) of the terms at N places, or of a derivative by x and y."""
        p, q = turned(self.matrix, x, y)
        parts = [share * Smooth.basis(self, p, q, order) for order, share in self._orders(derivative)]
        return np.asarray(np.sum(parts, axis=0))

    def values(self, x: Array, y: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """The field at places of any shape (the same for both), or a derivative of it."""
        p, q = turned(self.matrix, x, y)
        parts = [share * Smooth.values(self, p, q, order) for order, share in self._orders(derivative)]
        return np.asarray(np.sum(parts, axis=0))

    def _orders(self, derivative: tuple[int, int]) -> Iterator[tuple[tuple[int, int], float]]:
        """Derivatives by p and q, with their shares, that make up one by x and y (the chain rule)."""
        shares = np.ones(1)
        for column, order in enumerate(derivative):
            for _ in range(order):
                shares = np.convolve(shares, self.matrix[::-1, column])
        total = len(shares) - 1
        for by_p, share in enumerate(shares):
            if share != 0:
                yield (by_p, total - by_p), float(share)


def turned(matrix: Array, x: Array, y: Array) -> tuple[Array, Array]:
    """Give (p, q) = matrix · (x, y) for places of any shape."""
    return matrix[0, 0] * x + matrix[0, 1] * y, matrix[1, 0] * x + matrix[1, 1] * y


def fit_turned(
    x: Array, y: Array, value: Array, sigma: Array, *, matrix: Array, knots: int, rounds: int = 0
) -> Turned:
    """Fit a smooth field along and across a line; as `fit_smooth`, with the splines over matrix · (x, y).

    Examples
    --------
    >>> x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 4, 40), np.linspace(0, 1, 40)))
    >>> found = fit_turned(x, y, x + y**2, np.full(1600, 1e-3), matrix=np.diag([0.25, 1.0]), knots=6)
    >>> at = np.array([2.0]), np.array([0.5])
    >>> [round(float(found.values(*at, d)[0]), 2) for d in ((0, 0), (1, 0), (0, 1), (0, 2))]
    [2.25, 1.0, 1.0, 2.0]
    """
    p, q = turned(matrix, x, y)
    return _turned_from(fit_smooth(p, q, value, sigma, knots=knots, rounds=rounds), matrix)


def fit_turned_again(like: Turned, x: Array, y: Array, value: Array, sigma: Array) -> Turned:
    """Fit a field to slightly other values with the splines and the smoothness of an earlier fit."""
    p, q = turned(like.matrix, x, y)
    return _turned_from(fit_again(like, p, q, value, sigma), like.matrix)


def _turned_from(made: Smooth, matrix: Array) -> Turned:
    return Turned(
        made.along_x, made.along_y, made.coefficients, made.root, made.penalty,
        made.effective_terms, made.misfit, matrix,
    )  # fmt: skip
