"""The sound sheet: a smooth surface through the sound metal, carried across the damage, with its covariance.

The sheet is a polynomial of low total degree for the inverse depth over ray directions, fitted to raw points.
No single degree is chosen: each degree is judged by how well it foretells patches as large as the damage that
were left out, and the sheets are averaged by those weights. What the degrees disagree by is part of the
uncertainty ("restored metal"), and so is what the residuals' correlation over space adds to the formal
covariance, which through many thousands of points would be far too small.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.sound.points import RayPoints

BoolArray = npt.NDArray[np.bool_]

HIGHEST_DEGREE: Final = 6
_POINTS_A_TERM: Final = 12
_REJECT_SIGMA: Final = 4.5
_TUKEY: Final = 4.685
_BLOCK_REJECT: Final = 6.0
_BLOCK_LIKELY: Final = 2.0
_BLOCK_GROWTH: Final = 2
_BLOCK_SIZES_PX: Final = (4, 8, 16, 32)
_SECTORS: Final = 6
_MAD_TO_SIGMA: Final = 1.4826


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a sheet's own coordinates lie: ξ = (x - centre_x)/half_x, η likewise, within about -1 … 1."""

    centre_x: float
    centre_y: float
    half_x: float
    half_y: float


@dataclass(frozen=True, slots=True)
class Sheet:
    """A smooth surface w(x, y) = Σ c_k P_k(ξ, η), products of Legendre polynomials up to a total degree.

    Attributes
    ----------
    frame : Frame
    coefficients : (K,) array, 1/mm
    noise_covariance : (K, K) array
        From the points' frame noise alone.
    model_covariance : (K, K) array
        What correlated residuals and the choice of degree add ("restored metal").
    inflation : float
        How many times larger the variance of block means is than pixel noise explains; 1 or more.
    kept : (N,) bool
        Which of the points handed in hold up the sheet.
    degree_weights : tuple of float
        Weight of each degree from 1 on.
    """

    frame: Frame
    coefficients: Array
    noise_covariance: Array
    model_covariance: Array
    inflation: float
    kept: BoolArray
    degree_weights: tuple[float, ...]

    @property
    def degree(self) -> int:
        """Highest total degree of the terms."""
        return _degree_of(len(self.coefficients))

    def basis(self, x: Array, y: Array) -> Array:
        """Values (…, K) of the terms at directions."""
        f = self.frame
        return _terms((x - f.centre_x) / f.half_x, (y - f.centre_y) / f.half_y, self.degree)

    def inverse_depth(self, x: Array, y: Array) -> Array:
        """Inverse depth w in 1/mm at directions of any shape."""
        return np.asarray(self.basis(x, y) @ self.coefficients)

    def slopes(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Derivatives of w by x and by y."""
        f = self.frame
        a, b = (x - f.centre_x) / f.half_x, (y - f.centre_y) / f.half_y
        in_a, in_b = _term_slopes(a, b, self.degree)
        return in_a @ self.coefficients / f.half_x, in_b @ self.coefficients / f.half_y


def restore_sheet(points: RayPoints, *, patch_px: float, highest_degree: int = HIGHEST_DEGREE) -> Sheet:
    """Fit the sheet to sound points round a damage of diameter `patch_px` and carry it across.

    Parameters
    ----------
    points : RayPoints
        Sound metal round the damage; a second damage among them is found and left out.
    patch_px : float
        Diameter of the damage; patches as large are left out to judge each degree.
    highest_degree : int
        At most; fewer are used where there are too few points.

    Raises
    ------
    NotMeasurable
        With fewer than 60 points.
    """
    if len(points) < 5 * _POINTS_A_TERM:
        raise NotMeasurable(
            f"only {len(points)} points of sound metal can be used here: mark further out, or look again"
        )
    frame = _frame_round(points)
    degree = _affordable(len(points), highest_degree)
    basis = _terms(
        (points.x - frame.centre_x) / frame.half_x, (points.y - frame.centre_y) / frame.half_y, degree
    )
    kept = _sound_points(points, basis)
    kept &= _sound_blocks(points, basis, kept)
    mean, noise, model, inflation, weights = _average_degrees(points.where(kept), basis[kept], patch_px)
    return Sheet(frame, mean, noise, model, inflation, kept, weights)


def restore_again(points: RayPoints, like: Sheet, rejected: npt.NDArray[np.int64]) -> Sheet:
    """Restore the sheet from slightly other points with the degrees' weights of an earlier fit.

    Parameters
    ----------
    points : RayPoints
    like : Sheet
        The earlier fit.
    rejected : (M,) int
        Pixels (`pixel_numbers`) that the earlier fit left out.
    """
    basis = like.basis(points.x, points.y)
    residuals = (points.inverse_depth - basis @ like.coefficients) / points.sigma
    kept = (np.abs(residuals) < _REJECT_SIGMA) & ~np.isin(pixel_numbers(points), rejected)
    weights = np.array(like.degree_weights)
    mean, noise, between = _averaged(*_normal_equations(points.where(kept), basis[kept]), weights)
    return Sheet(like.frame, mean, noise, between, like.inflation, kept, like.degree_weights)


@dataclass(slots=True)
class SheetSums:
    """Sums over points from which sheets through any of them are restored at little cost.

    Kept: the terms at the points, and the sums of the choice of points asked for last.
    """

    basis: Array
    inverse_depth: Array
    weight: Array
    usable: BoolArray
    degree_weights: Array
    chosen: BoolArray
    normal: Array
    right: Array

    @classmethod
    def of(cls, points: RayPoints, like: Sheet, rejected: npt.NDArray[np.int64]) -> SheetSums:
        """Prepare points for sheets with the degrees' weights of `like`; `rejected` pixels are never used."""
        basis = like.basis(points.x, points.y)
        residuals = (points.inverse_depth - basis @ like.coefficients) / points.sigma
        usable = (np.abs(residuals) < _REJECT_SIGMA) & ~np.isin(pixel_numbers(points), rejected)
        size = basis.shape[1]
        none, weights = np.zeros(len(points), dtype=bool), np.array(like.degree_weights)
        weight = 1 / points.sigma**2
        empty = np.zeros((size, size)), np.zeros(size)
        return cls(basis, points.inverse_depth, weight, usable, weights, none, *empty)

    def restored(self, chosen: BoolArray) -> Array:
        """Terms (K,) of the sheet through the chosen points (N,) that are usable.

        Raises
        ------
        NotMeasurable
            With too few points.
        """
        wanted = chosen & self.usable
        if wanted.sum() < 5 * _POINTS_A_TERM:
            raise NotMeasurable("too few points of sound metal can be used here: mark further out")
        for sign, changed in ((1.0, wanted & ~self.chosen), (-1.0, self.chosen & ~wanted)):
            part = self.basis[changed]
            weighted = part * (sign * self.weight[changed])[:, None]
            self.normal += weighted.T @ part
            self.right += weighted.T @ self.inverse_depth[changed]
        self.chosen = wanted
        return _averaged(self.normal, self.right, self.degree_weights)[0]


def pixel_numbers(points: RayPoints) -> npt.NDArray[np.int64]:
    """A number for each point's pixel, the same in every window of the photo."""
    return points.v.astype(np.int64) * (1 << 20) + points.u.astype(np.int64)


def fit_sheet(points: RayPoints, degree: int) -> Sheet:
    """Fit one sheet of a fixed total degree to points; used where nothing has to be carried across."""
    frame = _frame_round(points)
    degree = _affordable(len(points), degree)
    basis = _terms(
        (points.x - frame.centre_x) / frame.half_x, (points.y - frame.centre_y) / frame.half_y, degree
    )
    kept = _sound_points(points, basis)
    normal, right = _normal_equations(points.where(kept), basis[kept])
    covariance: Array = np.linalg.inv(normal).astype(np.float64)
    coefficients = covariance @ right
    residuals = (points.inverse_depth - basis @ coefficients)[kept] / points.sigma[kept]
    inflation = _inflation(points.where(kept), residuals, basis.shape[1])
    weights = (*(0.0,) * (degree - 1), 1.0)
    return Sheet(frame, coefficients, covariance, (inflation - 1) * covariance, inflation, kept, weights)


def _frame_round(points: RayPoints) -> Frame:
    low_x, high_x, low_y, high_y = points.x.min(), points.x.max(), points.y.min(), points.y.max()
    tiny = 1e-9
    return Frame(
        float(low_x + high_x) / 2,
        float(low_y + high_y) / 2,
        max(float(high_x - low_x) / 2, tiny),
        max(float(high_y - low_y) / 2, tiny),
    )


def _affordable(count: int, highest: int) -> int:
    degree = highest
    while degree > 1 and _term_count(degree) * _POINTS_A_TERM > count:
        degree -= 1
    return degree


def _sound_points(points: RayPoints, basis: Array) -> BoolArray:
    """Points that agree with a robust sheet, found by reweighting while the degree rises."""
    weights = np.ones(len(points))
    scaled_w = points.inverse_depth / points.sigma
    scaled_basis = basis / points.sigma[:, None]
    most = _degree_of(basis.shape[1])
    residuals = np.zeros(len(points))
    spread = 1.0
    for degree in [*range(min(2, most), most + 1), most, most]:
        terms = scaled_basis[:, : _term_count(degree)]
        normal = terms.T @ (weights[:, None] * terms)
        coefficients = np.linalg.solve(normal, terms.T @ (weights * scaled_w))
        residuals = scaled_w - terms @ coefficients
        spread = max(1.0, float(_MAD_TO_SIGMA * np.median(np.abs(residuals))))
        weights = np.clip(1 - (residuals / (_TUKEY * spread)) ** 2, 0, None) ** 2
    return np.asarray(np.abs(residuals) < _REJECT_SIGMA * spread)


def _sound_blocks(points: RayPoints, basis: Array, kept: BoolArray) -> BoolArray:
    """Points outside blocks whose mean leaves the sheet: a shallow second damage hides in single points."""
    normal, right = _normal_equations(points.where(kept), basis[kept])
    residuals = (points.inverse_depth - basis @ np.linalg.solve(normal, right)) / points.sigma
    residuals = np.where(kept, residuals, 0.0)
    block, across = _block_numbers(points, 8)
    count = np.bincount(block, kept)
    total = np.bincount(block, residuals)
    statistic = np.abs(total) / np.sqrt(np.maximum(count, 1))
    filled = statistic[count > 0]
    spread = max(1.0, float(_MAD_TO_SIGMA * np.median(filled)) if len(filled) else 1.0)
    bad = _grown(statistic / spread, across)
    if count[bad].sum() > 0.4 * kept.sum():
        return np.ones(
            len(points), dtype=bool
        )  # the sheet is at fault then, not the metal: inflation says so
    return np.asarray(~bad[block])


def _grown(statistic: Array, across: int) -> BoolArray:
    """Blocks that surely leave the sheet, grown over neighbours that likely do: a damage has a fading rim."""
    rows = -(-len(statistic) // across)
    grid = np.pad(statistic, (0, rows * across - len(statistic))).reshape(rows, across)
    bad = (grid > _BLOCK_REJECT).astype(np.uint8)
    likely = grid > _BLOCK_LIKELY
    for _ in range(_BLOCK_GROWTH):
        bad |= (cv2.dilate(bad, np.ones((3, 3), dtype=np.uint8)) > 0) & likely
    return np.asarray(bad.ravel()[: len(statistic)] > 0)


def _average_degrees(
    points: RayPoints, basis: Array, patch_px: float
) -> tuple[Array, Array, Array, float, tuple[float, ...]]:
    """Average the sheets of every degree: coefficients, noise and model covariance, inflation, weights."""
    normal, right = _normal_equations(points, basis)
    size = basis.shape[1]
    solved = np.linalg.solve(normal, right)
    inflation = _inflation(points, (points.inverse_depth - basis @ solved) / points.sigma, size)
    scores = _foretelling_scores(points, basis, (normal, right), patch_px, inflation)
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    mean, noise, between = _averaged(normal, right, weights)
    residuals = (points.inverse_depth - basis @ mean) / points.sigma
    effective = float(np.trace(noise @ normal))
    inflation = _inflation(points, residuals, effective)
    return mean, noise, (inflation - 1) * noise + between, inflation, tuple(weights.tolist())


def _averaged(normal: Array, right: Array, weights: Array) -> tuple[Array, Array, Array]:
    """Average the sheets of every degree: coefficients, noise covariance, and what the degrees differ by."""
    size = len(right)
    operator, solutions = np.zeros((size, size)), []
    for degree, weight in enumerate(weights, 1):
        n = _term_count(degree)
        inverse = np.zeros((size, size))
        inverse[:n, :n] = np.linalg.inv(normal[:n, :n])
        solutions.append(inverse @ right)
        operator += weight * inverse
    mean = operator @ right
    spread = np.array(solutions) - mean
    return mean, operator @ normal @ operator.T, spread.T @ (weights[:, None] * spread)


def _foretelling_scores(
    points: RayPoints, basis: Array, equations: tuple[Array, Array], patch_px: float, inflation: float
) -> Array:
    """Log density that each degree gives to the means of left-out patches as large as the damage."""
    normal, right = equations
    scores = np.zeros(_degree_of(basis.shape[1]))
    for chosen in _patches(points, patch_px):
        weight = 1 / points.sigma[chosen] ** 2
        part = basis[chosen]
        less_normal = normal - part.T @ (weight[:, None] * part)
        less_right = right - part.T @ (weight * points.inverse_depth[chosen])
        mean_row = weight @ part / weight.sum()
        mean_w = weight @ points.inverse_depth[chosen] / weight.sum()
        for degree in range(1, len(scores) + 1):
            n = _term_count(degree)
            left = np.linalg.solve(less_normal[:n, :n], np.column_stack([less_right[:n], mean_row[:n]]))
            variance = inflation * (1 / weight.sum() + mean_row[:n] @ left[:, 1])
            error = mean_w - mean_row[:n] @ left[:, 0]
            scores[degree - 1] -= 0.5 * (error**2 / variance + np.log(variance))
    return scores


def _patches(points: RayPoints, patch_px: float) -> list[npt.NDArray[np.intp]]:
    """Patches about as large as the damage, spread evenly by direction about the middle of the ring."""
    du, dv = points.u - points.u.mean(), points.v - points.v.mean()
    angle = np.arctan2(dv, du)
    patches = []
    for k in range(_SECTORS):
        turned = np.abs(np.angle(np.exp(1j * (angle - 2 * np.pi * k / _SECTORS))))
        sector = turned < np.pi / _SECTORS
        if not sector.any():
            continue
        centre_u, centre_v = np.median(points.u[sector]), np.median(points.v[sector])
        near = np.hypot(points.u - centre_u, points.v - centre_v) < patch_px / 2
        chosen = np.flatnonzero(near & (turned < np.pi / 3))
        if 10 <= len(chosen) < len(points) // 2:
            patches.append(chosen)
    return patches


def _inflation(points: RayPoints, residuals: Array, terms: float) -> float:
    """Variance of block means over that of independent noise, greatest over block sizes; 1 or more."""
    worst = 1.0
    for size in _BLOCK_SIZES_PX:
        block, _ = _block_numbers(points, size)
        count = np.bincount(block)
        statistic = np.bincount(block, residuals)[count > 0] ** 2 / count[count > 0]
        if len(statistic) > 2.5 * terms:
            worst = max(worst, float(statistic.sum() / (len(statistic) - terms)))
    return worst


def _block_numbers(points: RayPoints, size_px: int) -> tuple[npt.NDArray[np.intp], int]:
    """Number of each point's block, row by row, and how many blocks a row has."""
    column = ((points.u - points.u.min()) // size_px).astype(np.intp)
    row = ((points.v - points.v.min()) // size_px).astype(np.intp)
    across = int(column.max()) + 1
    return np.asarray(row * across + column), across


def _normal_equations(points: RayPoints, basis: Array) -> tuple[Array, Array]:
    weight = 1 / points.sigma**2
    weighted = basis * weight[:, None]
    return weighted.T @ basis, weighted.T @ points.inverse_depth


def _term_count(degree: int) -> int:
    return (degree + 1) * (degree + 2) // 2


def _degree_of(terms: int) -> int:
    return round((math.sqrt(8 * terms + 1) - 3) / 2)


@lru_cache
def _powers(degree: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Degrees in ξ and η of the terms, lower totals first, so that a lower degree is a leading part."""
    pairs = [(total - j, j) for total in range(degree + 1) for j in range(total + 1)]
    both = np.array(pairs, dtype=np.intp)
    return both[:, 0], both[:, 1]


def _terms(a: Array, b: Array, degree: int) -> Array:
    in_a = np.polynomial.legendre.legvander(a, degree)
    in_b = np.polynomial.legendre.legvander(b, degree)
    i, j = _powers(degree)
    return np.asarray(in_a[..., i] * in_b[..., j])


def _term_slopes(a: Array, b: Array, degree: int) -> tuple[Array, Array]:
    """Derivatives of the terms by ξ and by η."""
    in_a = np.polynomial.legendre.legvander(a, degree)
    in_b = np.polynomial.legendre.legvander(b, degree)
    turn = np.zeros((degree + 1, degree + 1))
    for n in range(degree + 1):
        unit = np.zeros(degree + 1)
        unit[n] = 1.0
        slope = np.polynomial.legendre.legder(unit)
        turn[: len(slope), n] = slope
    i, j = _powers(degree)
    return (in_a @ turn)[..., i] * in_b[..., j], in_a[..., i] * (in_b @ turn)[..., j]
