"""A smooth line through places with known noise: a penalised cubic spline whose smoothness the noise decides.

The one-dimensional twin of `fringewise.sound.smooth`, with the same reasoning: the smoothness is the most
probable one, and the covariance counts what the smoothing may have cost as well as the noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import eigh
from scipy.ndimage import gaussian_filter1d

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.sound.spline import Axis

_STRAIGHT_TERMS: Final = 2
_RIDGE: Final = 1e-9
_LOG_STEPS: Final = np.linspace(-16.0, 16.0, 65)
_LEAST_VALUES: Final = 6
_MOST_SPANS: Final = 160
_ROUNDS: Final = 2
_BEND_SMOOTHING: Final = 3.0
_BEND_FLOOR: Final = 0.02
_BEND_POWER: Final = 0.75
_GROSS: Final = 5.0


@dataclass(frozen=True, slots=True)
class LineSpline:
    """A smooth line y(t).

    Attributes
    ----------
    axis : Axis
    coefficients : (K,) array
    covariance : (K, K) array
    misfit : float
        Root of the mean square of residual over stated noise.
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


def smooth_line(at: Array, values: Array, sigma: Array, knot: float, *, sharp: bool = False) -> LineSpline:
    """Fit a smooth line to places with known noise; gross ones are left out.

    Parameters
    ----------
    at, values, sigma : (N,) arrays
        Places, values and their standard uncertainties; those with an infinite sigma are not used.
    knot : float
        Width of a span, in the unit of `at`; wider for very long lines.
    sharp : bool
        Whether the penalty is weighed anew by the bending found, so that sharp corners stay sharp while the
        rest is smoothed more.

    Raises
    ------
    NotMeasurable
        With fewer than 6 values.

    Examples
    --------
    >>> at = np.linspace(0, 20, 201)
    >>> noisy = np.sin(at) + np.random.default_rng(1).normal(0, 0.1, 201)
    >>> line = smooth_line(at, noisy, np.full(201, 0.1), 0.5)
    >>> bool(np.abs(line.values(at) - np.sin(at)).max() < 0.12)
    True
    """
    known = np.isfinite(sigma) & np.isfinite(values)
    if known.sum() < _LEAST_VALUES:
        raise NotMeasurable("too few places along the outline were seen")
    span = max(float(np.ptp(at)), 1e-9)
    spans = int(np.clip(np.ceil(span / knot), 1, _MOST_SPANS))
    axis = Axis(float(at.min()), span / spans, spans)
    penalty = _bending(axis)
    rows = axis.dense(at)
    for _ in range(_ROUNDS):
        found = _most_probable(rows[known] / sigma[known, None], values[known] / sigma[known], penalty)
        coefficients, covariance, misfit = found
        if sharp:
            penalty = _bending(axis, coefficients)
            found = _most_probable(rows[known] / sigma[known, None], values[known] / sigma[known], penalty)
            coefficients, covariance, misfit = found
        away = np.abs(np.where(known, values - rows @ coefficients, 0.0))
        kept = known & (away <= _GROSS * max(1.0, misfit) * np.where(known, sigma, 1.0))
        if kept.sum() < _LEAST_VALUES or (bool((kept == known).all()) and not sharp):
            break
        known = kept
    return LineSpline(axis, coefficients, max(1.0, misfit) ** 2 * covariance, misfit)


def _bending(axis: Axis, coefficients: Array | None = None) -> Array:
    """The penalty's matrix; less where a line of these coefficients bends more, smoothed over neighbours."""
    nodes, weights = axis.nodes
    bend = axis.dense(nodes, 2) * axis.step**2
    if coefficients is not None:
        square = gaussian_filter1d((bend @ coefficients) ** 2, _BEND_SMOOTHING, mode="nearest")
        strength = 1 / (square + _BEND_FLOOR * square.mean() + 1e-30) ** _BEND_POWER
        weights = weights * strength / strength.mean()
    return np.asarray(bend.T @ (weights[:, None] * bend))


def _most_probable(rows: Array, scaled: Array, penalty: Array) -> tuple[Array, Array, float]:
    """Coefficients, covariance and misfit where the restricted likelihood is greatest.

    With A V = (A + P/mean) V D from one eigendecomposition every smoothness s costs next to nothing:
    -2 log likelihood = (N − 2) log r + log det(A + s P) − (K − 2) log s, with r the residual squares and the
    penalty over N − 2 degrees of freedom: the noise's size is found along with the smoothness, and is taken
    for no less than stated.
    """
    normal, right = rows.T @ rows, rows.T @ scaled
    terms = len(right)
    normal[np.diag_indices(terms)] += _RIDGE * np.trace(normal) / terms
    middle = np.trace(normal) / np.trace(penalty)
    both = normal + middle * penalty
    shares, vectors = eigh(normal, both)  # vectors' (A + m P) vectors = 1, vectors' A vectors = shares
    shares = np.clip(shares, 0.0, 1.0)
    turned = vectors.T @ right
    smoothness = np.exp(_LOG_STEPS)
    weights = shares[:, None] + smoothness * (1 - shares[:, None])
    weights = np.maximum(weights, 1e-300)
    free = max(len(scaled) - _STRAIGHT_TERMS, 1)
    misfits = (float(scaled @ scaled) - np.sum(turned[:, None] ** 2 / weights, axis=0)) / free
    likely = free * np.where(misfits > 1, np.log(np.maximum(misfits, 1)) + 1, misfits)
    scores = likely + np.log(weights).sum(axis=0) - (terms - _STRAIGHT_TERMS) * _LOG_STEPS
    best = int(np.argmin(scores))
    chosen = weights[:, best]
    coefficients = vectors @ (turned / chosen)
    covariance = (vectors / chosen) @ vectors.T
    effective = float(np.sum(shares / chosen))
    rest = float(np.sum((scaled - rows @ coefficients) ** 2)) / max(len(scaled) - effective, 1.0)
    return coefficients, np.asarray(covariance), float(np.sqrt(rest))
