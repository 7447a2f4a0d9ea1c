"""A smooth field through noisy values: a penalised spline whose smoothness the noise itself decides.

The field is a tensor product of cubic B-splines with a penalty on its second derivatives. The smoothness is
the one that makes the data most probable (restricted marginal likelihood with the known noise), so that no
more is smoothed away than the noise forces. Its covariance is the Bayesian one, which counts what the
smoothing may have cost as well as the noise (Wahba 1983, J. R. Stat. Soc. B 45:133; Nychka 1988, J. Am.
Stat. Assoc. 83:1134).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve, cholesky, eigh, solve_triangular

from fringewise.core.checks import Array

_ORDER: Final = 3
_SMOOTHNESS_STEPS: Final = 33
_TINY: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Axis:
    """Cubic B-splines on even knots over one direction, `count` of them from `low` on with step `step`."""

    low: float
    step: float
    count: int

    def basis(self, at: Array, derivative: int = 0) -> Array:
        """Values (N, count) of the splines or of a derivative; held at the ends outside."""
        knots = self.low + self.step * np.arange(-_ORDER, self.count + 1)
        inside = np.clip(at, self.low, knots[self.count] - 1e-12 * abs(self.step))
        out = np.empty((at.size, self.count))
        spline = BSpline(knots, np.eye(self.count), _ORDER)
        out[:] = (spline.derivative(derivative) if derivative else spline)(inside.ravel())
        return out

    @property
    def penalty(self) -> tuple[Array, Array, Array]:
        """Integrals of the products of the splines and of their first and second derivatives."""
        nodes, weights = np.polynomial.legendre.leggauss(4)
        spans = np.arange(self.count - _ORDER)
        at = self.low + self.step * (spans[:, None] + (nodes + 1) / 2).ravel()
        weight = np.tile(weights * self.step / 2, len(spans))
        zeroth, first, second = (self.basis(at, d) for d in (0, 1, 2))
        return (
            zeroth.T @ (weight[:, None] * zeroth),
            first.T @ (weight[:, None] * first),
            second.T @ (weight[:, None] * second),
        )


@dataclass(frozen=True, slots=True)
class Smooth:
    """A smooth field f(x, y) with its uncertainty.

    Attributes
    ----------
    along_x, along_y : Axis
    coefficients : (K,) array, the field's unit
    covariance : (K, K) array
        Noise and smoothing together.
    effective_terms : float
        How many free numbers the smoothness leaves.
    misfit : float
        Root of the mean square of residual over noise.
    """

    along_x: Axis
    along_y: Axis
    coefficients: Array
    covariance: Array
    effective_terms: float
    misfit: float

    def basis(self, x: Array, y: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """Values (N, K) of the terms at N places, or of a derivative by x and y."""
        in_x = self.along_x.basis(x, derivative[0])
        in_y = self.along_y.basis(y, derivative[1])
        return np.asarray((in_x[:, :, None] * in_y[:, None, :]).reshape(len(in_x), -1))

    def values(self, x: Array, y: Array, derivative: tuple[int, int] = (0, 0)) -> Array:
        """The field at places of any shape (same for both), or a derivative of it."""
        in_x = self.along_x.basis(x, derivative[0])
        in_y = self.along_y.basis(y, derivative[1])
        grid = self.coefficients.reshape(self.along_x.count, self.along_y.count)
        return np.asarray(np.einsum("ni,ij,nj->n", in_x, grid, in_y, optimize=True).reshape(np.shape(x)))

    def inverse_depth(self, x: Array, y: Array) -> Array:
        """The field as a `Shape`'s inverse depth."""
        return self.values(x, y)

    def slopes(self, x: Array, y: Array) -> tuple[Array, Array]:
        """The field's derivatives by x and by y."""
        return self.values(x, y, (1, 0)), self.values(x, y, (0, 1))


def fit_smooth(
    x: Array, y: Array, value: Array, sigma: Array, *, knots: int, smooth_factor: float = 1.0
) -> Smooth:
    """Fit a smooth field to values with known noise.

    Parameters
    ----------
    x, y, value, sigma : (N,) arrays
        Places, values and their standard uncertainties (independent).
    knots : int
        Spans along the longer side; 4 to 24 are sensible.
    smooth_factor : float
        Multiplies the most probable smoothness.
    """
    along_x, along_y = _axes(x, y, knots)
    bx, by = along_x.basis(x), along_y.basis(y)
    normal, right = _normal_equations(bx, by, value, 1 / sigma**2)
    penalty = _penalty(along_x, along_y)
    scale = np.trace(normal) / np.trace(penalty)
    normal_safe = (
        normal + _TINY * scale * penalty + _TINY * np.trace(normal) / len(normal) * np.eye(len(normal))
    )
    lower = cholesky(normal_safe, lower=True)
    half = solve_triangular(lower, penalty, lower=True)
    roots, vectors = eigh(solve_triangular(lower, half.T, lower=True))
    roots = np.clip(roots, 0.0, None)
    turned = vectors.T @ solve_triangular(lower, right, lower=True)
    total = float(np.sum(value**2 / sigma**2))
    smoothness = smooth_factor * _most_probable(roots, turned, total)
    factor = cho_factor(normal_safe + smoothness * penalty, lower=True)
    coefficients = cho_solve(factor, right)
    covariance = cho_solve(factor, np.eye(len(right)))
    grid = coefficients.reshape(along_x.count, along_y.count)
    residual = (value - np.einsum("ni,ij,nj->n", bx, grid, by, optimize=True)) / sigma
    effective = float(np.sum(1 / (1 + smoothness * roots)))
    misfit = float(np.sqrt(np.sum(residual**2) / max(len(value) - effective, 1.0)))
    return Smooth(along_x, along_y, coefficients, covariance, effective, misfit)


def _axes(x: Array, y: Array, knots: int) -> tuple[Axis, Axis]:
    low = np.array([x.min(), y.min()])
    span = np.maximum(np.array([np.ptp(x), np.ptp(y)]), 1e-12)
    step = float(span.max() / knots)
    counts = np.maximum(np.ceil(span / step - 1e-9).astype(int), 1)
    low = low - (counts * step - span) / 2
    return Axis(low[0], step, int(counts[0]) + _ORDER), Axis(low[1], step, int(counts[1]) + _ORDER)


def _normal_equations(bx: Array, by: Array, value: Array, weight: Array) -> tuple[Array, Array]:
    """Sums over the points; made in slices so that the whole design matrix never stands in memory."""
    size = bx.shape[1] * by.shape[1]
    normal, right = np.zeros((size, size)), np.zeros(size)
    for start in range(0, len(value), 4096):
        part = np.s_[start : start + 4096]
        rows = (bx[part, :, None] * by[part, None, :]).reshape(-1, size)
        weighted = rows * weight[part, None]
        normal += weighted.T @ rows
        right += weighted.T @ value[part]
    return normal, right


def _penalty(along_x: Axis, along_y: Axis) -> Array:
    x0, x1, x2 = along_x.penalty
    y0, y1, y2 = along_y.penalty
    return np.asarray(np.kron(x2, y0) + 2 * np.kron(x1, y1) + np.kron(x0, y2))


def _most_probable(roots: Array, turned: Array, total: float) -> float:
    """Smoothness of the greatest restricted likelihood, on a grid of even steps in its logarithm."""
    bending = roots > 1e-10 * roots.max()
    s, t2 = roots[bending], turned[bending] ** 2
    free = float(np.sum(turned[~bending] ** 2))

    def likelihood(log_smoothness: float) -> float:
        p = np.exp(log_smoothness) * s
        misfit = total - free - float(np.sum(t2 / (1 + p)))
        return 0.5 * float(np.sum(np.log(p / (1 + p)))) - 0.5 * misfit

    middle = -np.log(np.median(s))
    grid = middle + np.linspace(-16, 16, _SMOOTHNESS_STEPS)
    values: npt.NDArray[np.float64] = np.array([likelihood(g) for g in grid])
    best = int(np.argmax(values))
    fine = grid[best] + np.linspace(-1, 1, 9)
    return float(np.exp(fine[int(np.argmax([likelihood(g) for g in fine]))]))
