"""The sound edge carried across a damage: a smooth curve through the outline beside it, with its covariance.

The curve is given over ray directions: along the straight line between the marks it runs through coordinate
t, beside it through n(t), a polynomial. As for sheets no single degree is chosen: each is judged by how well
it foretells stretches that were left out, and the curves are averaged by those weights. What the degrees
disagree by, and what correlated residuals add, is "restored metal".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable

BoolArray = npt.NDArray[np.bool_]

HIGHEST_DEGREE: Final = 4
_LEAST_A_SIDE: Final = 8
_LEAST_PATCH: Final = 6
_PATCHES: Final = 8
_REJECT: Final = 4.5
_MAD_TO_SIGMA: Final = 1.4826
_BLOCKS: Final = (4, 8, 16)


@dataclass(frozen=True, slots=True)
class Curve:
    """A smooth edge over ray directions: (x, y) = origin + t · along + n(t) · aside.

    Attributes
    ----------
    origin, along, aside : (2,) arrays
    half : float
        t runs over about -half … half where the curve was fitted.
    coefficients : (K,) array
        Of Legendre polynomials in t / half.
    noise_covariance, model_covariance : (K, K) arrays
        From the stations' noise, and what correlated residuals and the choice of degree add.
    kept : (N,) bool
        Which stations hold it up.
    """

    origin: Array
    along: Array
    aside: Array
    half: float
    coefficients: Array
    noise_covariance: Array
    model_covariance: Array
    kept: BoolArray

    def coordinates(self, xy: Array) -> tuple[Array, Array]:
        """Coordinates t and n of directions (N, 2)."""
        offset = xy - self.origin
        return offset @ self.along, offset @ self.aside

    def basis(self, t: Array) -> Array:
        """Values (N, K) of the terms."""
        return _terms(t / self.half, len(self.coefficients) - 1)

    def aside_at(self, t: Array) -> Array:
        """How far beside the straight line the edge runs (N,)."""
        return np.asarray(self.basis(t) @ self.coefficients)

    def directions(self, t: Array) -> Array:
        """Directions (N, 2) of the edge."""
        return np.asarray(self.origin + t[:, None] * self.along + self.aside_at(t)[:, None] * self.aside)


def restore_edge(
    xy: Array, marks_xy: Array, sigma: Array, *, gap: float, highest_degree: int = HIGHEST_DEGREE
) -> Curve:
    """Fit the sound edge through stations beside a damage and carry it across.

    Parameters
    ----------
    xy : (N, 2) array
        Directions of the outline's stations on sound edge, in order, about evenly apart.
    marks_xy : (2, 2) array
        Directions of the marks, one each side.
    sigma : (N,) array
        Standard uncertainty of each station square to the edge, as a direction.
    gap : float
        Length of the damage, as a direction; stretches as long are left out to judge each degree.
    highest_degree : int

    Raises
    ------
    NotMeasurable
        With too little sound edge.
    """
    middle = marks_xy.mean(axis=0)
    along = marks_xy[1] - marks_xy[0]
    along = along / np.linalg.norm(along)
    aside = np.array([-along[1], along[0]])
    t, n = (xy - middle) @ along, (xy - middle) @ aside
    if (t < 0).sum() + (t > 0).sum() < 2 * _LEAST_A_SIDE:
        raise NotMeasurable("too little sound edge was seen beside the damage: look again with more of it")
    half = float(np.abs(t).max())
    affordable = max(1, min(highest_degree, len(t) // _LEAST_A_SIDE - 1))
    basis = _terms(t / half, affordable)
    kept = _sound(basis, n, sigma)
    mean, noise, model = _averaged_degrees(t[kept], n[kept], sigma[kept], basis[kept], gap)
    return Curve(middle, along, aside, half, mean, noise, model, kept)


def _terms(a: Array, degree: int) -> Array:
    return np.asarray(np.polynomial.legendre.legvander(a, degree))


def _sound(basis: Array, n: Array, sigma: Array) -> BoolArray:
    """Stations that agree with a robust curve."""
    weights = np.ones(len(n))
    residuals = n
    spread = 1.0
    most = basis.shape[1]
    # from stiff to supple, so that a second damage beside the first is left out before a curve can follow it
    for terms in (*([min(2, most)] * 3), *([min(3, most)] * 4), *range(min(4, most), most), *([most] * 4)):
        part = basis[:, :terms]
        solved = np.linalg.lstsq(part * (weights / sigma)[:, None], n * weights / sigma, rcond=None)[0]
        residuals = (n - part @ solved) / sigma
        spread = max(1.0, _MAD_TO_SIGMA * float(np.median(np.abs(residuals))))
        weights = np.sqrt(np.clip(1 - (residuals / (4.685 * spread)) ** 2, 0, None) ** 2 + 1e-9)
    return np.asarray(np.abs(residuals) < _REJECT * spread)


def _averaged_degrees(
    t: Array, n: Array, sigma: Array, basis: Array, gap: float
) -> tuple[Array, Array, Array]:
    weight = 1 / sigma**2
    normal = basis.T @ (weight[:, None] * basis)
    right = basis.T @ (weight * n)
    solved = np.linalg.solve(normal, right)
    inflation = _inflation((n - basis @ solved) / sigma, basis.shape[1])
    scores = np.array(
        [_foretold(t, n, basis[:, : k + 1], weight, gap, inflation) for k in range(1, basis.shape[1])]
    )
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    size = basis.shape[1]
    mean, noise = np.zeros(size), np.zeros((size, size))
    each = []
    linear = np.zeros((size, len(n)))
    for k, share in enumerate(weights, 1):
        own = np.linalg.solve(normal[: k + 1, : k + 1], basis[:, : k + 1].T * weight)
        linear[: k + 1] += share * own
        padded = np.zeros(size)
        padded[: k + 1] = own @ n
        each.append(padded)
        mean += share * padded
    noise = (linear * sigma**2) @ linear.T
    spread = [one - mean for one in each]
    between = sum(
        (share * np.outer(one, one) for share, one in zip(weights, spread, strict=True)),
        start=np.zeros((size, size)),
    )
    return mean, noise, between + (inflation - 1) * noise


def _foretold(t: Array, n: Array, basis: Array, weight: Array, gap: float, inflation: float) -> float:
    """Logarithm of how likely stretches of the damage's length are, foretold from all the others."""
    normal = basis.T @ (weight[:, None] * basis)
    right = basis.T @ (weight * n)
    total = 0.0
    for part in _patches_of(t, gap):
        rows, w = basis[part], weight[part]
        left = normal - rows.T @ (w[:, None] * rows)
        if np.linalg.cond(left) > 1e12:
            return -np.inf
        solved = np.linalg.solve(left, right - rows.T @ (w * n[part]))
        share = w / w.sum()
        row = share @ rows
        variance = inflation * (1 / w.sum() + row @ np.linalg.solve(left, row))
        miss = share @ (n[part] - rows @ solved)
        total -= 0.5 * (miss**2 / variance + np.log(variance))
    return float(total)


def _patches_of(t: Array, gap: float) -> list[npt.NDArray[np.intp]]:
    """Stretches of stations, each about half the damage's length, the sides' ends among them."""
    order = np.argsort(t)
    step = float(np.median(np.diff(t[order]))) or 1.0
    size = int(np.clip(gap / 2 / max(step, 1e-12), _LEAST_PATCH, len(t) // 4))
    starts = np.unique(np.linspace(0, len(t) - size, _PATCHES).astype(int))
    return [order[a : a + size] for a in starts]


def _inflation(residuals: Array, terms: int) -> float:
    """How many times the variance of means over neighbours exceeds what independent stations would have."""
    most = 1.0
    for size in _BLOCKS:
        count = len(residuals) // size
        if count < 5:
            break
        means = residuals[: count * size].reshape(count, size).mean(axis=1)
        free = max(count * (1 - terms / max(len(residuals), 1)), 2.0)
        most = max(most, float(size * np.sum(means**2) / free))
    return most
