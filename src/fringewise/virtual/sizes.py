"""Sizes on a sheet worked out from its formula by fine numerical integration, good to 0.1 µm and 0.01 %."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Final

import numpy as np
from scipy.optimize import minimize
from scipy.spatial.distance import cdist

from fringewise.core.checks import Array
from fringewise.virtual.sheets import First, Sheet, area_elements, unit_normals

Field = Callable[[Array, Array], Array]
"""A quantity at (s, t), each (N,); gives (N,)."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)
_INNER_NODES, _INNER_WEIGHTS = np.polynomial.legendre.leggauss(12)
_GEODESIC_NODES: Final = 48
_GEODESIC_BENDS: Final = 5


def points_on(sheet: Sheet, st: Array) -> Array:
    """Points (n, 3) of the sheet at rows of (s, t)."""
    return sheet.first(st[:, 0].copy(), st[:, 1].copy()).x


def frame_on(sheet: Sheet, st: Array) -> tuple[First, Array]:
    """Points with first derivatives, and unit normals, at rows of (s, t)."""
    first = sheet.first(st[:, 0].copy(), st[:, 1].copy())
    return first, unit_normals(first)


def length_of(points: Array) -> float:
    """Length of the line through closely spaced points (n, 3), corrected for the chords' shortness.

    The chords of every second point are short by four times as much (Richardson): n must be odd.
    """
    fine = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
    coarse = np.linalg.norm(np.diff(points[::2], axis=0), axis=1).sum()
    return float(fine + (fine - coarse) / 3)


def path_length(sheet: Sheet, st: Array, between: int = 64) -> float:
    """Length on the sheet of the line that joins rows of (s, t) by straight pieces in (s, t), mm."""
    return float(sum(length_of(points_on(sheet, piece)) for piece in _pieces(st, between)))


def enclosed_area(sheet: Sheet, boundary_st: Array) -> float:
    """Area of the sheet (mm²) inside a closed boundary given by rows of (s, t), of any shape.

    By Green's theorem ∮ Q dt with Q = ∫ |X_s × X_t| ds from the boundary's mean s.
    """
    start = boundary_st
    step = np.roll(boundary_st, -1, axis=0) - start
    origin = float(boundary_st[:, 0].mean())
    total = 0.0
    for node, weight in zip((_NODES + 1) / 2, _WEIGHTS / 2, strict=True):
        at = start + node * step
        total += float(np.sum(weight * step[:, 1] * _strip(sheet, at, origin)))
    return abs(total)


def integral_about(sheet: Sheet, center: tuple[float, float], rim_st: Array, field: Field) -> float:
    """Integral of a field over the sheet's area inside a rim that is seen whole from the centre.

    Parameters
    ----------
    rim_st : (n, 2) array
        Points of a smooth rim at even steps of its own parameter; 256 or more.
    """
    middle = np.asarray(center)
    arm = rim_st - middle
    # d(s, t) = ρ |arm × arm'| dρ dp for (s, t) = middle + ρ arm(p); arm' by the periodic Fourier derivative
    turn = _periodic_derivative(arm)
    twist = arm[:, 0] * turn[:, 1] - arm[:, 1] * turn[:, 0]
    total = 0.0
    panels = np.linspace(0.0, 1.0, 33)
    for low, high in itertools.pairwise(panels):
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            share = (low + high) / 2 + node * (high - low) / 2
            at = middle + share * arm
            s, t = at[:, 0].copy(), at[:, 1].copy()
            value = field(s, t) * area_elements(sheet.first(s, t))
            total += float(np.sum(value * twist)) * share * weight * (high - low) / 2
    return float(total * 2 * np.pi / len(arm) * np.sign(twist.sum()))


def length_and_width(points: Array, normal: Array) -> tuple[float, float]:
    """Greatest straight distance between two of the points (n, 3), and the extent square to it.

    The extent is taken in the plane that `normal` (3,) is square to.
    """
    gaps = cdist(points, points)
    first, second = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    along = points[second] - points[first]
    across = np.cross(normal, along)
    place = points @ (across / np.linalg.norm(across))
    return float(gaps[first, second]), float(place.max() - place.min())


def mean_normal(sheet: Sheet, st: Array) -> Array:
    """Mean unit normal (3,) at rows of (s, t)."""
    _, normals = frame_on(sheet, st)
    mean = normals.mean(axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def shortest_length(sheet: Sheet, ends_st: Array) -> float:
    """Length of the shortest line on the sheet between two places (2, 2), mm (the geodesic).

    The line is straight in (s, t) plus p(1 − p) times a polynomial of its share p, across it; the
    coefficients are those that make it shortest.
    """
    share = np.linspace(0.0, 1.0, 4 * _GEODESIC_NODES + 1)
    straight = ends_st[0] + share[:, None] * (ends_st[1] - ends_st[0])
    across = np.array([ends_st[0, 1] - ends_st[1, 1], ends_st[1, 0] - ends_st[0, 0]])
    bends = np.polynomial.legendre.legvander(2 * share - 1, _GEODESIC_BENDS - 1)
    bends *= (share * (1 - share))[:, None]

    def length(coefficients: Array) -> float:
        return length_of(points_on(sheet, straight + (bends @ coefficients)[:, None] * across))

    start = np.zeros(_GEODESIC_BENDS)
    found = minimize(length, start, method="BFGS", jac="3-point", options={"gtol": 1e-7})
    return float(min(found.fun, length(start)))


def _pieces(st: Array, between: int) -> list[Array]:
    share = np.linspace(0.0, 1.0, 2 * between + 1)[:, None]
    return [a + share * (b - a) for a, b in itertools.pairwise(st)]


def _strip(sheet: Sheet, st: Array, origin: float) -> Array:
    # ∫ |X_s × X_t| ds from `origin` to s at fixed t
    half = (st[:, 0] - origin) / 2
    total = np.zeros(len(st))
    for node, weight in zip(_INNER_NODES, _INNER_WEIGHTS, strict=True):
        s = origin + half * (1 + node)
        total += weight * half * area_elements(sheet.first(s, st[:, 1].copy()))
    return total


def _periodic_derivative(rows: Array) -> Array:
    count = len(rows)
    waves = np.fft.fftfreq(count, 1 / count)
    if count % 2 == 0:
        waves[count // 2] = 0.0
    return np.asarray(np.fft.ifft(1j * waves[:, None] * np.fft.fft(rows, axis=0), axis=0).real)
