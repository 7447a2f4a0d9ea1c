"""Linear least squares with covariance: weighted, robust against gross values, and trimmed at k sigma.

A fit takes the standard uncertainty of its values (`sigma`) and gives the formal covariance from it. Without
one (`None`) all values count alike and their scatter about the fit stands in; such a covariance is NaN where
no degree of freedom is left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, shaped
from fringewise.core.errors import NotMeasurable

Loss = Literal["huber", "tukey"]

HUBER_TUNING: Final = 1.345
TUKEY_TUNING: Final = 4.685
"""Both give 95 % of least squares' efficiency where the scatter is Gaussian (common practice)."""

_MAD_TO_SIGMA: Final = 1 / 0.6744897501960817
_RANK_TOLERANCE: Final = 1e-12
_MOST_REWEIGHTINGS: Final = 200
_SETTLED: Final = 1e-10


@dataclass(frozen=True, slots=True)
class Solution:
    """Coefficients of a least-squares fit and how well they are known.

    Attributes
    ----------
    coefficients : (P,) array
    covariance : (P, P) array
    degrees_of_freedom : int
        Values less coefficients.
    chi2 : float
        Sum of squares of residual / sigma (of the bare residuals where no sigma was given).
    """

    coefficients: Array
    covariance: Array
    degrees_of_freedom: int
    chi2: float

    @property
    def sigma(self) -> Array:
        """Standard uncertainty of each coefficient (P,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def scatter(self) -> float:
        """√(chi2 / degrees of freedom): 1 where the stated sigma is right; NaN with none left."""
        return (
            float(np.sqrt(self.chi2 / self.degrees_of_freedom)) if self.degrees_of_freedom else float("nan")
        )


@dataclass(frozen=True, slots=True)
class RobustSolution:
    """A fit that gross values don't pull.

    Attributes
    ----------
    solution : Solution
        Its covariance is Huber's first (1981), from the residuals; chi2 is the weighted sum of squares.
    weights : (N,) array
        0 (left out) to 1 (as good as any) for each value.
    scale : float
        Robust standard deviation of the residuals, in units of sigma where one was given.
    """

    solution: Solution
    weights: Array
    scale: float


def solve_weighted(design: Array, values: Array, sigma: npt.ArrayLike | None = None) -> Solution:
    """Solve values ≈ design · coefficients by weighted least squares, through QR of the scaled columns.

    Parameters
    ----------
    design : (N, P) array
    values : (N,) array
    sigma : (N,) array, float or None
        Standard uncertainty of each value, independent; None: equal and not known.

    Raises
    ------
    NotMeasurable
        Where the values don't settle all coefficients.

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 2.0])
    >>> line = solve_weighted(np.column_stack([np.ones(3), x]), 1 + 2 * x, 0.1)
    >>> [round(float(c), 9) for c in line.coefficients], [round(float(s), 4) for s in line.sigma]
    ([1.0, 2.0], [0.0913, 0.0707])
    """
    design, values = np.asarray(design, dtype=np.float64), np.asarray(values, dtype=np.float64)
    shaped("design", design, len(values), None)
    weight = root_weights(sigma, len(values))
    weighted = design * weight[:, None]
    inverse = inverse_root(weighted)
    norms = _column_norms(weighted)
    square, triangle = np.linalg.qr(weighted / norms)
    coefficients = np.zeros(design.shape[1])
    for _ in range(2):  # the second pass brings back digits that an ill-conditioned design costs
        left = (values - design @ coefficients) * weight
        coefficients = coefficients + np.linalg.solve(triangle, square.T @ left) / norms
    chi2 = float(np.sum(((values - design @ coefficients) * weight) ** 2))
    return solution_from(coefficients, inverse, len(values), chi2, known=sigma is not None)


def solve_robust(
    design: Array, values: Array, sigma: npt.ArrayLike | None = None, loss: Loss = "tukey"
) -> RobustSolution:
    """Solve values ≈ design · coefficients by reweighting, so that gross values have little or no say.

    Huber's weights bound the pull of a gross value; Tukey's end it. Tukey's start from Huber's answer, as
    they alone could settle on the gross values. Bad leverage (a gross value far out in `design`) is beyond
    both when it is alone there.

    Parameters
    ----------
    design, values, sigma
        As for `solve_weighted`; sigma gives the relative weights and its overall scale does not matter.
    loss : {"tukey", "huber"}

    Examples
    --------
    >>> values = np.array([1.0, 1.1, 0.9, 1.05, 0.95, 1.0, 50.0])
    >>> level = solve_robust(np.ones((7, 1)), values)
    >>> round(float(level.solution.coefficients[0]), 3), float(level.weights[-1])
    (1.0, 0.0)
    """
    design, values = np.asarray(design, dtype=np.float64), np.asarray(values, dtype=np.float64)
    unit = root_weights(sigma, len(values))
    weighted, targets = design * unit[:, None], values * unit
    start = solve_weighted(weighted, targets).coefficients
    coefficients, scale = _reweighted(weighted, targets, start, "huber")
    if loss == "tukey":
        coefficients, scale = _reweighted(weighted, targets, coefficients, "tukey")
    residuals = targets - weighted @ coefficients
    weights = _weights(residuals, scale, loss)
    freedom = len(values) - design.shape[1]
    solution = Solution(
        coefficients,
        _huber_covariance(weighted, residuals, scale, loss),
        freedom,
        float(np.sum(weights * residuals**2)),
    )
    return RobustSolution(solution, weights, scale)


def trim(residuals: Array, k: float = 3.0) -> npt.NDArray[np.bool_]:
    """Keep residuals within k times the RMS of those kept, repeated until nothing more drops.

    The RMS is about zero; residuals that are not finite are dropped. Fit again with those kept and trim
    again where the fit moves (`fringewise.core.fits.fit_trimmed`).

    Examples
    --------
    >>> trim(np.array([0.1, -0.1, 0.1, -0.1, 0.1, -0.1, 0.1, -0.1, 0.1, 0.1, 0.1, 5.0])).tolist()[-2:]
    [True, False]
    """
    residuals = np.asarray(residuals, dtype=np.float64)
    keep = np.isfinite(residuals)
    while keep.any():
        bound = k * float(np.sqrt(np.mean(residuals[keep] ** 2)))
        still = keep & (np.abs(np.where(keep, residuals, 0.0)) <= bound)
        if still.sum() == keep.sum():
            break
        keep = still
    return keep


def root_weights(sigma: npt.ArrayLike | None, count: int) -> Array:
    """Give 1/sigma for `count` values (ones without a sigma); a sigma must be finite and above 0."""
    if sigma is None:
        return np.ones(count)
    spread = np.broadcast_to(np.asarray(sigma, dtype=np.float64), (count,))
    if not np.all(np.isfinite(spread) & (spread > 0)):
        raise ValueError("sigma must be finite and greater than 0 for every value that is fitted")
    return 1.0 / spread


def inverse_root(weighted: Array) -> Array:
    """Give G with G Gᵀ = (AᵀA)⁻¹ for a weighted design A (N, P), through QR with scaled columns."""
    rows, columns = weighted.shape
    if rows < columns:
        raise NotMeasurable(f"{rows} values can't settle {columns} unknowns: take more points")
    norms = _column_norms(weighted)
    triangle = np.linalg.qr(weighted / norms, mode="r")
    _, stretch, right = np.linalg.svd(triangle)
    if not np.all(np.isfinite(stretch)) or stretch[-1] <= _RANK_TOLERANCE * stretch[0]:
        raise NotMeasurable("the points lie so that they don't settle the fit: spread them out more")
    return np.asarray(right.T / stretch / norms[:, None])


def solution_from(coefficients: Array, inverse: Array, count: int, chi2: float, *, known: bool) -> Solution:
    """Put a `Solution` together; where sigma was not `known` the residuals' scatter scales it."""
    freedom = count - len(coefficients)
    covariance = inverse @ inverse.T
    if not known:
        covariance = covariance * (chi2 / freedom if freedom else np.nan)
    return Solution(coefficients, covariance, freedom, chi2)


def _column_norms(weighted: Array) -> Array:
    norms = np.linalg.norm(weighted, axis=0)
    return np.asarray(np.where(norms > 0, norms, 1.0))


def _reweighted(weighted: Array, targets: Array, start: Array, loss: Loss) -> tuple[Array, float]:
    coefficients = start
    spread = _column_norms(weighted)
    scale = _robust_scale(targets - weighted @ coefficients)
    for _ in range(_MOST_REWEIGHTINGS):
        if scale == 0:  # at least half the values lie on the fit exactly
            break
        root = np.sqrt(_weights(targets - weighted @ coefficients, scale, loss))
        moved = solve_weighted(weighted * root[:, None], targets * root).coefficients
        change = float(np.max(np.abs(moved - coefficients) * spread)) / np.sqrt(len(targets))
        coefficients = moved
        scale = _robust_scale(targets - weighted @ coefficients)
        if change <= _SETTLED * scale:
            break
    return coefficients, scale


def _robust_scale(residuals: Array) -> float:
    return float(np.median(np.abs(residuals))) * _MAD_TO_SIGMA


def _weights(residuals: Array, scale: float, loss: Loss) -> Array:
    if scale == 0:
        return np.asarray(residuals == 0, dtype=np.float64)
    size = np.abs(residuals) / scale
    if loss == "huber":
        return np.asarray(np.minimum(1.0, HUBER_TUNING / np.maximum(size, 1e-300)))
    return np.asarray(np.where(size < TUKEY_TUNING, (1 - (size / TUKEY_TUNING) ** 2) ** 2, 0.0))


def _huber_covariance(weighted: Array, residuals: Array, scale: float, loss: Loss) -> Array:
    """Huber (1981) H1: κ² [Σψ²/(n − p)] s² / mean(ψ')² (XᵀX)⁻¹ with κ = 1 + (p/n) var(ψ')/mean(ψ')²."""
    count, unknowns = weighted.shape
    inverse = inverse_root(weighted)
    if count == unknowns:
        return np.full((unknowns, unknowns), np.nan)
    if scale == 0:
        return np.zeros((unknowns, unknowns))
    size = residuals / scale
    pull = size * _weights(residuals, scale, loss)
    if loss == "huber":
        slope = np.asarray(np.abs(size) <= HUBER_TUNING, dtype=np.float64)
    else:
        ratio = (size / TUKEY_TUNING) ** 2
        slope = np.where(ratio < 1, (1 - ratio) * (1 - 5 * ratio), 0.0)
    mean = float(np.mean(slope))
    kappa = 1 + unknowns / count * float(np.var(slope)) / mean**2
    factor = kappa**2 * float(np.sum(pull**2)) / (count - unknowns) * scale**2 / mean**2
    return np.asarray(factor * inverse @ inverse.T)
