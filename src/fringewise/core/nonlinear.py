"""Least-squares fit of any smooth model, with the covariance of its parameters."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.least_squares import Solution, inverse_root, root_weights, solution_from

_TOLERANCE: Final = 1e-14


def fit_nonlinear(
    residuals: Callable[[Array], Array],
    start: npt.ArrayLike,
    jacobian: Callable[[Array], Array] | None = None,
    sigma: npt.ArrayLike | None = None,
) -> Solution:
    """Fit a smooth model by the Levenberg-Marquardt method (scipy's MINPACK), with covariance at the answer.

    Parameters
    ----------
    residuals : callable
        Gives values − model (N,) for parameters (P,).
    start : (P,) array
    jacobian : callable, optional
        Derivatives of `residuals` (N, P); central differences where absent.
    sigma : (N,) array, float or None
        Standard uncertainty of the values; None: equal and not known.

    Raises
    ------
    NotMeasurable
        Where the method does not settle, or settles where the values don't tell all parameters.

    Examples
    --------
    >>> x = np.linspace(0, 3, 20)
    >>> fit = fit_nonlinear(lambda p: 2 * np.exp(-0.7 * x) - p[0] * np.exp(-p[1] * x), (1, 1), sigma=0.01)
    >>> [round(float(c), 6) for c in fit.coefficients]
    [2.0, 0.7]
    """
    first = np.asarray(start, dtype=np.float64)
    count = len(residuals(first))
    weight = root_weights(sigma, count)
    slopes = jacobian if jacobian is not None else partial(_differences, residuals)
    if count < len(first):
        raise NotMeasurable(f"{count} values can't settle {len(first)} unknowns: take more points")

    def weighted(p: Array) -> Array:  # a wild step may overflow; the method then takes a shorter one
        return np.nan_to_num(residuals(p) * weight, nan=1e150, posinf=1e150, neginf=-1e150)

    def weighted_slopes(p: Array) -> Array:
        return slopes(p) * weight[:, None]

    with np.errstate(all="ignore"):
        answer = least_squares(
            weighted,
            first,
            jac=weighted_slopes,
            method="lm",
            x_scale="jac",
            ftol=_TOLERANCE,
            xtol=_TOLERANCE,
            gtol=_TOLERANCE,
        )
    if not (answer.success and np.all(np.isfinite(answer.x))):
        raise NotMeasurable("the fit does not settle on an answer: the points don't follow this shape")
    chi2 = float(np.sum((residuals(answer.x) * weight) ** 2))
    inverse = inverse_root(slopes(answer.x) * weight[:, None])
    return solution_from(np.asarray(answer.x), inverse, count, chi2, known=sigma is not None)


def _differences(residuals: Callable[[Array], Array], p: Array) -> Array:
    columns = []
    for n in range(len(p)):
        step = np.zeros_like(p)
        step[n] = 6e-6 * max(abs(p[n]), 1e-4)  # cube root of the smallest relative step
        columns.append((residuals(p + step) - residuals(p - step)) / (2 * step[n]))
    return np.column_stack(columns)
