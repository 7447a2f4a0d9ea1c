"""Undamaged sheets: closed formulas X(s, t) with exact first and second derivatives.

s runs across (chordwise) and t along (spanwise), both in mm or close to it. The normal
N = X_s × X_t / |X_s × X_t| points to the side that the head looks at (+z of the part's frame at s = t = 0).
A signed radius is positive where the sheet bulges towards the head and negative where it is hollow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, finite

ComplexArray = npt.NDArray[np.complex128]


class First(NamedTuple):
    """Points and first derivatives of a sheet, (N, 3) each."""

    x: Array
    s: Array
    t: Array


class Second(NamedTuple):
    """Second derivatives of a sheet, (N, 3) each."""

    ss: Array
    st: Array
    tt: Array


class Sheet(Protocol):
    """A smooth sheet known by its formula, good a little beyond the part's outline too."""

    def first(self, s: Array, t: Array) -> First:
        """Points and first derivatives at (s, t), each (N,)."""

    def second(self, s: Array, t: Array) -> Second:
        """Second derivatives at (s, t), each (N,)."""


@dataclass(frozen=True, slots=True)
class Plane:
    """The plane z = 0: X = (s, t, 0)."""

    def first(self, s: Array, t: Array) -> First:
        """Points and first derivatives at (s, t), each (N,)."""
        none, one = np.zeros_like(s), np.ones_like(s)
        return First(_stacked(s, t, none), _stacked(one, none, none), _stacked(none, one, none))

    def second(self, s: Array, t: Array) -> Second:
        """Second derivatives: all 0."""
        del t
        none = np.zeros((len(s), 3))
        return Second(none, none, none)


@dataclass(frozen=True, slots=True)
class Sphere:
    """Part of a sphere: X = R (cos b sin a, sin b, cos b cos a − 1), a = s/R, b = t/R.

    Attributes
    ----------
    radius_mm : float
        Positive: a ball; negative: the inside of one.
    """

    radius_mm: float

    def __post_init__(self) -> None:
        _nonzero("radius_mm", self.radius_mm)

    def first(self, s: Array, t: Array) -> First:
        """Points and first derivatives at (s, t), each (N,)."""
        r = self.radius_mm
        ca, sa, cb, sb = np.cos(s / r), np.sin(s / r), np.cos(t / r), np.sin(t / r)
        return First(
            _stacked(r * cb * sa, r * sb, r * (cb * ca - 1)),
            _stacked(cb * ca, np.zeros_like(s), -cb * sa),
            _stacked(-sb * sa, cb, -sb * ca),
        )

    def second(self, s: Array, t: Array) -> Second:
        """Second derivatives at (s, t), each (N,)."""
        r = self.radius_mm
        ca, sa, cb, sb = np.cos(s / r), np.sin(s / r), np.cos(t / r), np.sin(t / r)
        none = np.zeros_like(s)
        return Second(
            _stacked(-cb * sa, none, -cb * ca) / r,
            _stacked(-sb * ca, none, sb * sa) / r,
            _stacked(-cb * sa, -sb, -cb * ca) / r,
        )


@dataclass(frozen=True, slots=True)
class Cylinder:
    """Part of a cylinder about an axis along y: X = (R sin(s/R), t, R cos(s/R) − R).

    Attributes
    ----------
    radius_mm : float
        Positive: a shaft; negative: the inside of a tube.
    """

    radius_mm: float

    def __post_init__(self) -> None:
        _nonzero("radius_mm", self.radius_mm)

    def first(self, s: Array, t: Array) -> First:
        """Points and first derivatives at (s, t), each (N,)."""
        r = self.radius_mm
        cosine, sine, none = np.cos(s / r), np.sin(s / r), np.zeros_like(s)
        return First(
            _stacked(r * sine, t, r * cosine - r),
            _stacked(cosine, none, -sine),
            _stacked(none, np.ones_like(s), none),
        )

    def second(self, s: Array, t: Array) -> Second:
        """Second derivatives at (s, t), each (N,)."""
        del t
        r, none = self.radius_mm, np.zeros_like(s)
        nothing = np.zeros((len(s), 3))
        return Second(_stacked(-np.sin(s / r), none, -np.cos(s / r)) / r, nothing, nothing)


@dataclass(frozen=True, slots=True)
class TwistedBlade:
    """A compressor-like blade face: each section an arc, its curvature and stagger changing along the span.

    With k(t) = −1/R + k' t and φ(t) = φ' t + φ'' t²/2 the section at t is the arc of length s in the plane
    y = t, turned by φ: x + i z = (exp(i k s) − 1)/(i k) · exp(i φ) + i · bow · t²/2. So s is arc length.

    Attributes
    ----------
    radius_mm : float
        Radius of curvature across the chord at t = 0; positive bulges to the head (suction side), negative is
        hollow (pressure side).
    twist_rad_per_mm, twist_rate_rad_per_mm2 : float
        φ' and φ''.
    camber_rate_per_mm2 : float
        k', change of the section's curvature along the span; k must not come near 0 within 30 mm.
    bow_per_mm : float
        Curvature of the stacking line.

    Examples
    --------
    >>> blade = TwistedBlade(radius_mm=-25.0)
    >>> curvature = principal_curvatures(blade, np.zeros(1), np.zeros(1))
    >>> [round(float(1 / k), 6) if k else 0.0 for k in curvature[0]]
    [0.0, 25.0]
    """

    radius_mm: float
    twist_rad_per_mm: float = 0.0
    twist_rate_rad_per_mm2: float = 0.0
    camber_rate_per_mm2: float = 0.0
    bow_per_mm: float = 0.0

    def __post_init__(self) -> None:
        _nonzero("radius_mm", self.radius_mm)
        for name in ("twist_rad_per_mm", "twist_rate_rad_per_mm2", "camber_rate_per_mm2", "bow_per_mm"):
            finite(name, getattr(self, name))
        if 30.0 * abs(self.camber_rate_per_mm2 * self.radius_mm) > 0.8:
            raise ValueError("camber_rate_per_mm2 would flatten the blade within 30 mm: make it smaller")

    def first(self, s: Array, t: Array) -> First:
        """Points and first derivatives at (s, t), each (N,)."""
        arc, arc_s, arc_k, turn = self._arc(s, t)
        turning = self._turning(t)
        place = arc * turn
        along = (self.camber_rate_per_mm2 * arc_k + 1j * turning * arc) * turn
        across = arc_s * turn
        x = _stacked(place.real, t, place.imag + 0.5 * self.bow_per_mm * t * t)
        none, one = np.zeros_like(s), np.ones_like(s)
        return First(
            x,
            _stacked(across.real, none, across.imag),
            _stacked(along.real, one, along.imag + self.bow_per_mm * t),
        )

    def second(self, s: Array, t: Array) -> Second:
        """Second derivatives at (s, t), each (N,)."""
        arc, arc_s, arc_k, turn = self._arc(s, t)
        k, rate, turning = self._curvature(t), self.camber_rate_per_mm2, self._turning(t)
        arc_kk = (1j * s * s * arc_s - 2 * arc_k) / k
        ss = 1j * k * arc_s * turn
        st = 1j * (rate * s + turning) * arc_s * turn
        turning_change = 1j * self.twist_rate_rad_per_mm2 - turning**2
        tt = (rate**2 * arc_kk + 2j * turning * rate * arc_k + turning_change * arc) * turn
        none = np.zeros_like(s)
        return Second(
            _stacked(ss.real, none, ss.imag),
            _stacked(st.real, none, st.imag),
            _stacked(tt.real, none, tt.imag + self.bow_per_mm),
        )

    def _arc(self, s: Array, t: Array) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
        # complex x + i z of the unturned arc, its derivatives by s and by k, and the turn exp(i φ)
        k = self._curvature(t)
        arc_s = _unit(k * s)
        arc = (arc_s - 1) / (1j * k)
        turn = _unit(self.twist_rad_per_mm * t + 0.5 * self.twist_rate_rad_per_mm2 * t * t)
        return arc, arc_s, (s * arc_s - arc) / k, turn

    def _curvature(self, t: Array) -> Array:
        return -1.0 / self.radius_mm + self.camber_rate_per_mm2 * t

    def _turning(self, t: Array) -> Array:
        return self.twist_rad_per_mm + self.twist_rate_rad_per_mm2 * t


def unit_normals(first: First) -> Array:
    """Unit normals N = X_s × X_t / |X_s × X_t|, (N, 3)."""
    across = cross(first.s, first.t)
    return np.asarray(across / np.sqrt(np.einsum("ni,ni->n", across, across))[:, None])


def normal_derivatives(first: First, second: Second) -> tuple[Array, Array, Array]:
    """Unit normals and their derivatives N_s and N_t, (N, 3) each.

    N_s = (n_s − N (N · n_s)) / |n| with n = X_s × X_t and n_s = X_ss × X_t + X_s × X_st.
    """
    n = cross(first.s, first.t)
    length = np.sqrt(np.einsum("ni,ni->n", n, n))[:, None]
    normal = n / length
    n_s = cross(second.ss, first.t) + cross(first.s, second.st)
    n_t = cross(second.st, first.t) + cross(first.s, second.tt)
    along_s = n_s - normal * np.einsum("ni,ni->n", normal, n_s)[:, None]
    along_t = n_t - normal * np.einsum("ni,ni->n", normal, n_t)[:, None]
    return normal, along_s / length, along_t / length


def area_elements(first: First) -> Array:
    """Area of the sheet for each unit of ds dt, (N,)."""
    n = cross(first.s, first.t)
    return np.asarray(np.sqrt(np.einsum("ni,ni->n", n, n)))


def principal_curvatures(sheet: Sheet, s: Array, t: Array) -> Array:
    """Both principal curvatures (N, 2), 1/mm, rising; positive where the sheet is hollow towards the head."""
    first, second = sheet.first(s, t), sheet.second(s, t)
    normal = unit_normals(first)
    e, f, g = (np.einsum("ni,ni->n", a, b) for a, b in _pairs(first))
    ll, mm, nn = (np.einsum("ni,ni->n", normal, part) for part in second)
    metric = e * g - f * f
    mean = (ll * g - 2 * mm * f + nn * e) / (2 * metric)
    spread = np.sqrt(np.maximum(mean**2 - (ll * nn - mm * mm) / metric, 0.0))
    return np.stack([mean - spread, mean + spread], axis=-1)


def cross(a: Array, b: Array) -> Array:
    """Cross products of rows (N, 3); some times faster than numpy's general one."""
    made = np.empty_like(a)
    made[:, 0] = a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1]
    made[:, 1] = a[:, 2] * b[:, 0] - a[:, 0] * b[:, 2]
    made[:, 2] = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return made


def _pairs(first: First) -> tuple[tuple[Array, Array], tuple[Array, Array], tuple[Array, Array]]:
    return (first.s, first.s), (first.s, first.t), (first.t, first.t)


def _stacked(x: Array, y: Array, z: Array) -> Array:
    made = np.empty((len(x), 3))
    made[:, 0], made[:, 1], made[:, 2] = x, y, z
    return made


def _unit(angle_rad: Array) -> ComplexArray:
    turned = np.empty(len(angle_rad), dtype=np.complex128)
    turned.real, turned.imag = np.cos(angle_rad), np.sin(angle_rad)
    return turned


def _nonzero(name: str, value: float) -> None:
    if not finite(name, value):
        raise ValueError(f"{name} must not be 0")
