"""A blade face through published coordinates: a smooth spline of fifth order over uniform knots.

The coordinates come as arrays; reading them is not this room's work.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.interpolate import make_interp_spline

from fringewise.core.checks import Array, frozen, positive, shaped
from fringewise.core.kernels import kernel
from fringewise.virtual.reliefs import Box
from fringewise.virtual.sheets import First, Second

_ORDER: Final = 6
"""Number of basis functions that reach into a cell: polynomials of degree 5."""

_MARGIN_CELLS: Final = 1


@dataclass(frozen=True, slots=True)
class SplineSheet:
    """X(s, t) = Σ B_i(s) B_j(t) C_ij with uniform quintic B-splines: four continuous derivatives.

    Attributes
    ----------
    coefficients : (I, J, 3) array
    low_st : (float, float)
        Where the first cell begins.
    step_st : (float, float)
        Size of a cell.
    """

    coefficients: Array
    low_st: tuple[float, float]
    step_st: tuple[float, float]

    def __post_init__(self) -> None:
        shaped("spline coefficients", np.asarray(self.coefficients), None, None, 3)
        if min(self.coefficients.shape[:2]) < _ORDER:
            raise ValueError(f"a spline sheet needs {_ORDER} coefficients or more each way")
        object.__setattr__(self, "coefficients", frozen(self.coefficients))
        positive("step in s", self.step_st[0])
        positive("step in t", self.step_st[1])

    @property
    def outline(self) -> Box:
        """Where the sheet is known: one cell inside its knots."""
        cells = np.array(self.coefficients.shape[:2]) - (_ORDER - 1)
        low = np.array(self.low_st) + _MARGIN_CELLS * np.array(self.step_st)
        high = np.array(self.low_st) + (cells - _MARGIN_CELLS) * np.array(self.step_st)
        return Box(float(low[0]), float(high[0]), float(low[1]), float(high[1]))

    def first(self, s: Array, t: Array) -> First:
        """Points and first derivatives at (s, t), each (N,)."""
        found = np.empty((3, len(s), 3))
        self._sum(s, t, np.array([[0, 0], [1, 0], [0, 1]]), found)
        return First(found[0], found[1], found[2])

    def second(self, s: Array, t: Array) -> Second:
        """Second derivatives at (s, t), each (N,)."""
        found = np.empty((3, len(s), 3))
        self._sum(s, t, np.array([[2, 0], [1, 1], [0, 2]]), found)
        return Second(found[0], found[1], found[2])

    def _sum(self, s: Array, t: Array, orders: Array, found: Array) -> None:
        u = np.ascontiguousarray((s - self.low_st[0]) / self.step_st[0])
        v = np.ascontiguousarray((t - self.low_st[1]) / self.step_st[1])
        by_axis = np.ascontiguousarray(np.moveaxis(self.coefficients, 2, 0))
        _sum_basis(u, v, by_axis, _basis_table(), orders, found)
        for n, (by_s, by_t) in enumerate(orders):
            found[n] /= self.step_st[0] ** by_s * self.step_st[1] ** by_t


def section_points_mm(axial_cm: Array, radius_cm: Array, angle_rad: Array) -> Array:
    """Points (…, 3) in mm, x = r sin θ, y = r cos θ, z axial, of cylindrical coordinates in cm and rad."""
    return 10.0 * np.stack([radius_cm * np.sin(angle_rad), radius_cm * np.cos(angle_rad), axial_cm], axis=-1)


def sheet_through(
    side_mm: Array,
    other_side_mm: Array,
    *,
    scale: float = 1.0,
    ends_share: float = 0.03,
    centred: bool = True,
) -> SplineSheet:
    """Fit a sheet through one side of a blade's sections; its normal points away from the other side.

    s is the mean chord's arc length and t the sections' mean distance, both from the middle.

    Parameters
    ----------
    side_mm, other_side_mm : (J, K, 3) arrays
        J sections from root to tip of K points from edge to edge, J 6 or more, K 12 or more.
    scale : float
        Makes the blade larger or smaller.
    ends_share : float
        Share of the chord left out at each edge, where the side turns into the edge's own radius.
    centred : bool
        Move the sheet's middle to the origin, its normal along +z and s along +x.
    """
    if side_mm.shape[0] < _ORDER or side_mm.shape[1] < 2 * _ORDER:
        raise ValueError(f"a sheet needs 6 sections of 12 points or more (found {side_mm.shape[:2]})")
    chords, spans = _arc(side_mm).mean(axis=0)[-1], _span(side_mm)[-1]
    u, v = np.linspace(ends_share, 1 - ends_share, 241), np.linspace(0, 1, 97)
    dense = _resampled(side_mm, u, v)
    lower = _resampled(other_side_mm, u, v)
    outward = (dense - lower).mean(axis=(0, 1))
    if np.cross(np.ptp(u) * _middle_slope(dense, 0), _middle_slope(dense, 1)) @ outward < 0:
        dense = dense[::-1]
    chord, span = scale * float(chords) * float(np.ptp(u)), scale * float(spans)
    placed = scale * (_to_origin(dense) if centred else dense)
    cells = (36, 14)
    return SplineSheet(_fitted(placed, cells), (-chord / 2, -span / 2), (chord / cells[0], span / cells[1]))


def _arc(side_mm: Array) -> Array:
    # arc length along each section, (J, K)
    steps = np.linalg.norm(np.diff(side_mm, axis=1), axis=-1)
    return np.concatenate([np.zeros((len(side_mm), 1)), np.cumsum(steps, axis=1)], axis=1)


def _span(side_mm: Array) -> Array:
    # mean distance of the sections from the first, (J,)
    steps = np.linalg.norm(np.diff(side_mm, axis=0), axis=-1).mean(axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _resampled(side_mm: Array, u: Array, v: Array) -> Array:
    # (U, V, 3) at shares of the chord and of the span
    arcs = _arc(side_mm)
    sections = [
        make_interp_spline(arc / arc[-1], section, k=5)(u) for arc, section in zip(arcs, side_mm, strict=True)
    ]
    span = _span(side_mm)
    along = make_interp_spline(span / span[-1], np.stack(sections), k=5)(v)
    return np.asarray(np.swapaxes(along, 0, 1))


def _middle_slope(dense: Array, axis: int) -> Array:
    return np.asarray(np.gradient(dense, axis=axis)[dense.shape[0] // 2, dense.shape[1] // 2])


def _to_origin(dense: Array) -> Array:
    middle = dense[dense.shape[0] // 2, dense.shape[1] // 2]
    along = _middle_slope(dense, 0)
    normal = np.cross(along, _middle_slope(dense, 1))
    x, z = along / np.linalg.norm(along), normal / np.linalg.norm(normal)
    return np.asarray((dense - middle) @ np.stack([x, np.cross(z, x), z]).T)


def _fitted(dense: Array, cells: tuple[int, int]) -> Array:
    # least squares over the dense grid, one direction after the other
    across, along = (_design(count, cell) for count, cell in zip(dense.shape[:2], cells, strict=True))
    half = np.linalg.lstsq(across, dense.reshape(len(dense), -1), rcond=None)[0]
    half = half.reshape(across.shape[1], dense.shape[1], 3).swapaxes(0, 1)
    whole = np.linalg.lstsq(along, half.reshape(dense.shape[1], -1), rcond=None)[0]
    return np.asarray(whole.reshape(along.shape[1], across.shape[1], 3).swapaxes(0, 1))


def _design(count: int, cells: int) -> Array:
    place = np.linspace(0.0, cells, count)
    cell = np.minimum(place.astype(np.intp), cells - 1)
    powers = (place - cell)[:, None] ** np.arange(_ORDER)
    matrix = np.zeros((count, cells + _ORDER - 1))
    np.put_along_axis(matrix, cell[:, None] + np.arange(_ORDER), powers @ _basis_table()[0].T, axis=1)
    return matrix


@functools.cache
def _basis_table() -> Array:
    """Polynomials of the six basis functions over a cell (3, 6, 6): value, first and second derivative.

    B_j(x) = Σ_k (−1)^k C(6, k) max(x + 5 − j − k, 0)^5 / 5!, expanded in powers of x.
    """
    table = np.zeros((3, _ORDER, _ORDER))
    for j in range(_ORDER):
        total = np.polynomial.Polynomial([0.0])
        for k in range(_ORDER - j):
            shifted = np.polynomial.Polynomial([_ORDER - 1 - j - k, 1.0])
            total += (-1) ** k * math.comb(_ORDER, k) * shifted ** (_ORDER - 1) / math.factorial(_ORDER - 1)
        for order in range(3):
            coefficients = total.deriv(order).coef if order else total.coef
            table[order, j, : len(coefficients)] = coefficients
    return frozen(table)


@kernel(inline=True)
def _basis_at(x: float, table: Array, basis: Array) -> None:
    for order in range(3):
        for k in range(6):
            value = table[order, k, 5]
            for power in range(4, -1, -1):
                value = value * x + table[order, k, power]
            basis[order, k] = value


@kernel()
def _sum_basis(u: Array, v: Array, coefficients: Array, table: Array, orders: Array, found: Array) -> None:
    # coefficients (3, I, J); found (M, N, 3) for M orders of derivatives by u and v
    by_u, by_v, inner = np.empty((3, 6)), np.empty((3, 6)), np.empty((3, 3, 6))
    for n in range(len(u)):
        i = min(max(int(np.floor(u[n])), 0), coefficients.shape[1] - 6)
        j = min(max(int(np.floor(v[n])), 0), coefficients.shape[2] - 6)
        _basis_at(u[n] - i, table, by_u)
        _basis_at(v[n] - j, table, by_v)
        for order in range(3):
            for axis in range(3):
                for k in range(6):
                    total = 0.0
                    for p in range(6):
                        total += by_v[order, p] * coefficients[axis, i + k, j + p]
                    inner[order, axis, k] = total
        for m in range(len(orders)):
            for axis in range(3):
                total = 0.0
                for k in range(6):
                    total += by_u[orders[m, 0], k] * inner[orders[m, 1], axis, k]
                found[m, n, axis] = total
