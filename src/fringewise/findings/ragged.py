"""A smooth line through scattered values, whose smoothness their own scatter decides.

The line is a cubic spline with a penalty on its second derivative; the smoothness is the one that makes the
values most probable (restricted marginal likelihood). Its covariance is the Bayesian one, which counts what
the smoothing may have cost as well as the scatter (Wahba 1983, J. R. Stat. Soc. B 45:133).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve, cholesky

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.sound.spline import Axis

_STRAIGHT_TERMS: Final = 2
_RIDGE: Final = 1e-10
_LOG_STEPS: Final = np.linspace(-18.0, 18.0, 49)
_ROUNDS: Final = 3
_GROSS: Final = 4.0
_LEAST_VALUES: Final = 6
_MOST_TERMS: Final = 160


@dataclass(frozen=True, slots=True)
class Ragged:
    """A smooth line y(t).

    Attributes
    ----------
    axis : Axis
    coefficients : (K,) array
    covariance : (K, K) array
    misfit : float
        Root of the mean square of residual over scatter.
    """

    axis: Axis
    coefficients: Array
    covariance: Array
    misfit: float

    def basis(self, at: Array, derivative: int = 0) -> Array:
        """Values (N, K) of the terms, or of a derivative."""
        return self.axis.dense(at, derivative)

    def values(self, at: Array, derivative: int = 0) -> Array:
        """The line at places (N,), or a derivative of it."""
        return np.asarray(self.basis(at, derivative) @ self.coefficients)

    def slope_variance(self, at: Array) -> Array:
        """Variance (N,) of the line's slope."""
        rows = self.basis(at, 1)
        return np.asarray(np.einsum("nk,kl,nl->n", rows, self.covariance, rows, optimize=True))


def smooth_ragged(at: Array, values: Array, sigma: Array, knot: float) -> Ragged:
    """Fit a smooth line to scattered values; gross ones are left out.

    Parameters
    ----------
    at, values, sigma : (N,) arrays
        Places, values and their standard uncertainties; values with an infinite sigma are not used.
    knot : float
        Width of a span, in the unit of `at`; wider for lines of very many spans.

    Raises
    ------
    NotMeasurable
        With fewer than 6 values.

    Examples
    --------
    >>> at = np.linspace(0, 20, 201)
    >>> scattered = np.sin(at) + np.random.default_rng(1).normal(0, 0.1, 201)
    >>> line = smooth_ragged(at, scattered, np.full(201, 0.1), 0.5)
    >>> bool(np.abs(line.values(at) - np.sin(at)).max() < 0.12)
    True
    """
    known = np.isfinite(sigma) & np.isfinite(values)
    if known.sum() < _LEAST_VALUES:
        raise NotMeasurable("too few places along the line")
    span = float(np.ptp(at))
    spans = int(np.clip(np.ceil(span / knot), 1, _MOST_TERMS))
    axis = Axis(float(at.min()), span / spans, spans)
    penalty = _bending(axis)
    for _ in range(_ROUNDS):
        rows = axis.dense(at[known]) / sigma[known, None]
        scaled = values[known] / sigma[known]
        coefficients, covariance, misfit = _most_probable(rows, scaled, penalty)
        away = np.abs(values - axis.dense(at) @ coefficients)
        kept = np.isfinite(sigma) & (away <= _GROSS * max(1.0, misfit) * sigma)
        if kept.sum() < _LEAST_VALUES or bool((kept == known).all()):
            break
        known = kept
    return Ragged(axis, coefficients, covariance, misfit)


def _bending(axis: Axis) -> Array:
    nodes, weights = axis.nodes
    bend = axis.dense(nodes, 2) * axis.step**2
    return np.asarray(bend.T @ (weights[:, None] * bend))


def _most_probable(rows: Array, scaled: Array, penalty: Array) -> tuple[Array, Array, float]:
    """Coefficients, covariance and misfit where the restricted likelihood is greatest.

    The scatter's own size is found along with it: with r = residual squares + penalty over N − 2 degrees of
    freedom, -2 log likelihood = (N − 2) log r + log det(A + s P) − (K − 2) log s.
    """
    normal, right = rows.T @ rows, rows.T @ scaled
    terms, count = len(right), len(scaled)
    middle = np.log(np.trace(normal) / np.trace(penalty))
    best: tuple[float, Array, Array, float] | None = None
    for log_smoothness in middle + _LOG_STEPS:
        smoothness = float(np.exp(log_smoothness))
        total = normal + smoothness * penalty
        total[np.diag_indices(terms)] += _RIDGE * np.trace(normal) / terms
        try:
            root = cholesky(total, lower=True)
        except np.linalg.LinAlgError:
            continue
        coefficients = cho_solve((root, True), right)
        rest = float(scaled @ scaled - right @ coefficients) / max(count - _STRAIGHT_TERMS, 1)
        rest = max(rest, 1.0)
        score = (
            (count - _STRAIGHT_TERMS) * np.log(rest)
            + 2 * float(np.log(np.diag(root)).sum())
            - (terms - _STRAIGHT_TERMS) * log_smoothness
        )
        if best is None or score < best[0]:
            best = (score, coefficients, total, rest)
    if best is None:
        raise NotMeasurable("the places along the line don't settle a smooth line")
    _, coefficients, total, rest = best
    covariance = cho_solve(cho_factor(total), np.eye(terms)) * rest
    return coefficients, np.asarray(covariance), float(np.sqrt(rest))
