"""A smooth field through noisy values: a penalised spline whose smoothness the noise itself decides.

The field is a tensor product of cubic B-splines with a penalty on its second derivatives. The smoothness is
the one that makes the data most probable (restricted marginal likelihood with the known noise), so that no
more is smoothed away than the noise forces. Its covariance is the Bayesian one, which counts what the
smoothing may have cost as well as the noise (Wahba 1983, J. R. Stat. Soc. B 45:133; Nychka 1988, J. Am.
Stat. Assoc. 83:1134).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve_banded, cholesky_banded, solve_triangular
from scipy.linalg.lapack import dtbtrs

from fringewise.core.checks import Array
from fringewise.sound.spline import ORDER, Axis, add_products, add_values

_PLANE_TERMS: Final = 3
_RIDGE: Final = 1e-9
_COARSE_STEPS: Final = 13
_FINE_STEPS: Final = 7
_LOG_RANGE: Final = 14.0
_PROBES: Final = 12
_BEND_SMOOTHING: Final = 2.0
_BEND_FLOOR: Final = 0.01
_BEND_POWER: Final = 0.75


@dataclass(frozen=True, slots=True)
class Smooth:
    """A smooth field f(x, y) with its uncertainty.

    Attributes
    ----------
    along_x, along_y : Axis
    coefficients : (K,) array, the field's unit
    root : (band, K) array
        Lower band of the Cholesky root of the inverse of the coefficients' covariance, noise and smoothing
        together.
    penalty : (band, K) array
        Lower band of the penalty at the smoothness found.
    effective_terms : float
        How many free numbers the smoothness leaves, about.
    misfit : float
        Root of the mean square of residual over noise.
    """

    along_x: Axis
    along_y: Axis
    coefficients: Array
    root: Array
    penalty: Array
    effective_terms: float
    misfit: float

    def basis(self, x: Array, y: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """Values (N, K) of the terms at N places, or of a derivative by x and y."""
        in_x = self.along_x.dense(x, derivative[0])
        in_y = self.along_y.dense(y, derivative[1])
        return np.asarray((in_x[:, :, None] * in_y[:, None, :]).reshape(len(in_x), -1))

    def values(self, x: Array, y: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """The field at places of any shape (the same for both), or a derivative of it."""
        start_x, in_x = self.along_x.local(np.ravel(x), derivative[0])
        start_y, in_y = self.along_y.local(np.ravel(y), derivative[1])
        grid = self.coefficients.reshape(self.along_x.count, self.along_y.count)
        reach = np.arange(ORDER + 1)
        near = grid[start_x[:, None, None] + reach[:, None], start_y[:, None, None] + reach]
        return np.asarray(np.einsum("na,nab,nb->n", in_x, near, in_y).reshape(np.shape(x)))

    def inverse_depth(self, x: Array, y: Array) -> Array:
        """The field as a `Shape`'s inverse depth."""
        return self.values(x, y)

    def slopes(self, x: Array, y: Array) -> tuple[Array, Array]:
        """The field's derivatives by x and by y."""
        return self.values(x, y, (1, 0)), self.values(x, y, (0, 1))

    def variance(self, rows: Array) -> Array:
        """Variance (N,) of N linear sums of the coefficients, rows (N, K)."""
        half, _ = dtbtrs(self.root, np.ascontiguousarray(np.atleast_2d(rows).T), uplo="L")
        return np.asarray(np.sum(half**2, axis=0) * max(1.0, self.misfit) ** 2)

    def by_smoothness(self) -> Array:
        """Derivative (K,) of the coefficients by the log of the smoothness: −(A + P)⁻¹ P c."""
        bent = self.penalty[0] * self.coefficients
        for k in range(1, len(self.penalty)):
            band = self.penalty[k, : len(bent) - k]
            bent[k:] += band * self.coefficients[:-k]
            bent[:-k] += band * self.coefficients[k:]
        return np.asarray(-cho_solve_banded((self.root, True), bent))

    def draws(self, count: int, rng: np.random.Generator) -> Array:
        """Draws (count, K) of the coefficients about their values."""
        return np.asarray(self.coefficients + self.offsets(count, rng))

    def offsets(self, count: int, rng: np.random.Generator) -> npt.NDArray[np.float32]:
        """Draws (count, K) of how far the coefficients lie from their values, in single precision.

        Solved with the root of their precision, whose band is cut into dense blocks: so thousands of draws
        cost a few products of matrices.
        """
        band, terms = self.root.shape[0] - 1, self.root.shape[1]
        off = rng.standard_normal((terms, count), dtype=np.float32)
        for first in reversed(range(0, terms, band)):
            end = min(first + band, terms)
            right = off[first:end]
            if end < terms:
                beside = _block(self.root, (end, min(end + band, terms)), (first, end))
                right = right - beside.T @ off[end : end + band]
            own = _block(self.root, (first, end), (first, end))
            off[first:end] = solve_triangular(own, right, lower=True, trans=1, check_finite=False)
        return np.asarray(off.T * np.float32(max(1.0, self.misfit)))


def fit_smooth(x: Array, y: Array, value: Array, sigma: Array, *, knots: int, rounds: int = 0) -> Smooth:
    """Fit a smooth field to values with known noise.

    Parameters
    ----------
    x, y, value, sigma : (N,) arrays
        Places, values and their standard uncertainties (independent).
    knots : int
        Spans along the longer side; 4 to 40 are sensible.
    rounds : int
        How often the penalty is weighed anew by the bending found, so that steep walls stay steep while flat
        parts are smoothed more; 0 for the same smoothness everywhere.
    """
    along_x, along_y = _axes(x, y, knots)
    data = _Data.of(along_x, along_y, x, y, value, sigma)
    bending = _Bending.over(along_x, along_y)
    found = _most_probable(data, bending.penalty(None))
    for _ in range(rounds):
        found = _most_probable(data, bending.penalty(bending.strength(found[0])))
    return _made(along_x, along_y, data, found, (x, y, value, sigma))


def fit_again(like: Smooth, x: Array, y: Array, value: Array, sigma: Array) -> Smooth:
    """Fit a field to slightly other values with the splines and the smoothness of an earlier fit."""
    data = _Data.of(like.along_x, like.along_y, x, y, value, sigma)
    root = cholesky_banded(data.band + like.penalty, lower=True)
    found = cho_solve_banded((root, True), data.right), root, like.penalty
    return _made(like.along_x, like.along_y, data, found, (x, y, value, sigma))


def _made(
    along_x: Axis, along_y: Axis, data: _Data, found: tuple[Array, Array, Array], points: tuple[Array, ...]
) -> Smooth:
    coefficients, root, penalty = found
    x, y, value, sigma = points
    effective = _effective_terms(root, data.band)
    made = Smooth(along_x, along_y, coefficients, root, penalty, effective, 1.0)
    residual = (value - made.values(x, y)) / sigma
    misfit = math.sqrt(float(np.sum(residual**2)) / max(len(value) - effective, 1.0))
    return replace(made, misfit=misfit)


@dataclass(frozen=True, slots=True)
class _Data:
    """Sums over the points: products of terms (band), terms times values, and the values' own square."""

    band: Array
    right: Array
    total: float

    @classmethod
    def of(cls, along_x: Axis, along_y: Axis, x: Array, y: Array, value: Array, sigma: Array) -> _Data:
        (start_x, in_x), (start_y, in_y) = along_x.local(x), along_y.local(y)
        weight = 1 / sigma**2
        band, right = _empty_band(along_x, along_y), np.zeros(along_x.count * along_y.count)
        add_products(start_x, in_x, start_y, in_y, weight, along_y.count, band)
        add_values(start_x, in_x, start_y, in_y, weight * value, along_y.count, right)
        band[0] += _RIDGE * band[0].mean()
        return cls(band, right, float(np.sum(weight * value**2)))


@dataclass(frozen=True, slots=True)
class _Bending:
    """The penalty's quadrature: nodes along each axis and their weights."""

    along_x: Axis
    along_y: Axis
    x: Array
    y: Array
    weights: Array

    @classmethod
    def over(cls, along_x: Axis, along_y: Axis) -> _Bending:
        (x, wx), (y, wy) = along_x.nodes, along_y.nodes
        gx, gy = np.meshgrid(x, y, indexing="ij")
        return cls(along_x, along_y, gx, gy, np.outer(wx, wy))

    def strength(self, coefficients: Array) -> Array:
        """Weight of the penalty at each node: less where the field bends more, smoothed over neighbours."""
        grid = coefficients.reshape(self.along_x.count, self.along_y.count)
        x, y = self.x[:, 0], self.y[0]
        square = np.zeros(self.x.shape)
        for dx, dy, factor in _SECOND_DERIVATIVES:
            square += factor * (self.along_x.dense(x, dx) @ grid @ self.along_y.dense(y, dy).T) ** 2
        spread = cv2.GaussianBlur(square, (0, 0), _BEND_SMOOTHING)
        return np.asarray(1 / (spread + _BEND_FLOOR * spread.mean()) ** _BEND_POWER)

    def penalty(self, strength: Array | None) -> Array:
        """Band of the penalty's matrix; `strength` (nodes) weighs it from place to place."""
        weights = self.weights if strength is None else self.weights * strength / strength.mean()
        band = _empty_band(self.along_x, self.along_y)
        x, y = self.x.ravel(), self.y.ravel()
        for dx, dy, factor in _SECOND_DERIVATIVES:
            start_x, in_x = self.along_x.local(x, dx)
            start_y, in_y = self.along_y.local(y, dy)
            add_products(start_x, in_x, start_y, in_y, factor * weights.ravel(), self.along_y.count, band)
        return band


_SECOND_DERIVATIVES: Final = ((2, 0, 1.0), (1, 1, 2.0), (0, 2, 1.0))


def _block(root: Array, rows: tuple[int, int], columns: tuple[int, int]) -> npt.NDArray[np.float32]:
    """Rows by columns, each from … to, of the lower matrix whose band is `root`."""
    i, j = np.ogrid[slice(*rows), slice(*columns)]
    below = i - j
    held = (below >= 0) & (below < root.shape[0])
    return np.where(held, root[np.where(held, below, 0), j], 0.0).astype(np.float32)


def _axes(x: Array, y: Array, knots: int) -> tuple[Axis, Axis]:
    low = np.array([x.min(), y.min()])
    span = np.maximum(np.array([np.ptp(x), np.ptp(y)]), 1e-12)
    step = float(span.max() / knots)
    spans = np.maximum(np.ceil(span / step - 1e-9).astype(int), 1)
    low = low - (spans * step - span) / 2
    return Axis(float(low[0]), step, int(spans[0])), Axis(float(low[1]), step, int(spans[1]))


def _empty_band(along_x: Axis, along_y: Axis) -> Array:
    return np.zeros((ORDER * along_y.count + ORDER + 1, along_x.count * along_y.count))


def _most_probable(data: _Data, penalty: Array) -> tuple[Array, Array, Array]:
    """Coefficients, root of their precision and penalty where the restricted likelihood is greatest.

    With A the sums of products, P the penalty and b the terms times values, at smoothness s:
    -2 log likelihood = total - bᵀ (A + s P)⁻¹ b + log det(A + s P) - (K - 3) log s.
    """
    terms = len(data.right)

    def solved(log_smoothness: float) -> tuple[float, Array, Array]:
        root = cholesky_banded(data.band + math.exp(log_smoothness) * penalty, lower=True)
        coefficients = cho_solve_banded((root, True), data.right)
        misfit = data.total - float(data.right @ coefficients)
        volume = 2 * float(np.log(root[0]).sum()) - (terms - _PLANE_TERMS) * log_smoothness
        return misfit + volume, coefficients, root

    middle = math.log(data.band[0].mean() / penalty[0].mean())
    coarse = middle + np.linspace(-_LOG_RANGE, _LOG_RANGE, _COARSE_STEPS)
    best = coarse[_least_of(coarse, solved)]
    step = coarse[1] - coarse[0]
    fine = best + np.linspace(-step, step, _FINE_STEPS)
    log_smoothness = fine[_least_of(fine, solved)]
    _, coefficients, root = solved(log_smoothness)
    return coefficients, root, math.exp(log_smoothness) * penalty


def _least_of(places: Array, of: Callable[[float], tuple[float, Array, Array]]) -> int:
    """Number of the place where a function that first falls and then rises is least, by few evaluations.

    It is followed from the middle downhill, so that most places are never tried.
    """
    tried: dict[int, float] = {}

    def value(n: int) -> float:
        if n not in tried:
            tried[n] = of(float(places[n]))[0]
        return tried[n]

    at = len(places) // 2
    while True:
        near = [n for n in (at - 1, at, at + 1) if 0 <= n < len(places)]
        best = min(near, key=value)
        if best == at:
            return at
        at = best


def _effective_terms(root: Array, band: Array) -> float:
    """Trace of (A + s P)⁻¹ A, told from a few random signs (Hutchinson 1989); good to a few per cent."""
    signs = np.random.default_rng(1).choice([-1.0, 1.0], (band.shape[1], _PROBES))
    solved = cho_solve_banded((root, True), signs)
    total = band[0][:, None] * signs
    for k in range(1, len(band)):
        total[k:] += band[k, :-k, None] * signs[:-k]
        total[:-k] += band[k, :-k, None] * signs[k:]
    return float(np.einsum("kp,kp->", solved, total)) / _PROBES
