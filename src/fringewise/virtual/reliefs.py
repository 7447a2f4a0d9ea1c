"""Displacements h(s, t) along an undamaged sheet's normal (mm): dents of several families, depths known.

A dent is a profile f(x, y) over an ellipse: x = a/A, y = b/B with (a, b) the parameters turned by an angle
about the dent's centre; h = −depth · f and the greatest f is 1. Every profile is smooth and ends at a reach.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, finite, positive

PointIndex = npt.NDArray[np.intp]


class Box(NamedTuple):
    """Range of parameters outside which something does nothing."""

    s_low: float
    s_high: float
    t_low: float
    t_high: float

    def holds(self, s: Array, t: Array) -> PointIndex:
        """Indices of the points (s, t) inside the box."""
        inside = (s > self.s_low) & (s < self.s_high) & (t > self.t_low) & (t < self.t_high)
        return np.flatnonzero(inside)


class Height(NamedTuple):
    """Displacement along the normal, mm, and its derivatives by s and t, (N,) each."""

    h: Array
    s: Array
    t: Array


class Relief(Protocol):
    """A displacement along the normal of the undamaged sheet; 0 outside its box."""

    @property
    def box(self) -> Box:
        """Where it may differ from 0."""

    def height(self, s: Array, t: Array) -> Height:
        """Displacement and derivatives at (s, t), each (N,); good outside the box too."""


class Profile(Protocol):
    """Shape of a dent over the unit disc, greatest value 1."""

    @property
    def reach(self) -> float:
        """Radius beyond which the profile is 0."""

    def values(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Values f and derivatives by x and y, each (N,)."""


@dataclass(frozen=True, slots=True)
class Cap:
    """A spherical cap pressed in by a ball: f = 1 − (R − √(R² − ρ²))/d in units of the rim's radius.

    Attributes
    ----------
    flatness : float
        Depth over the rim's radius before scaling; only says how much of the ball goes in (0 … 1).
    rim : float
        Half the height, as a share of the depth, over which the rim is rounded; 0 leaves a sharp rim.
    """

    flatness: float = 0.2
    rim: float = 0.06

    def __post_init__(self) -> None:
        if not 0 < self.flatness <= 0.7:
            raise ValueError(f"a cap's flatness must lie in 0 … 0.7 (found {self.flatness})")
        if not 0 <= self.rim <= 0.3:
            raise ValueError(f"a cap's rim must lie in 0 … 0.3 (found {self.rim})")

    @property
    def ball(self) -> float:
        """Radius of the ball in units of the rim's radius."""
        return (1 + self.flatness**2) / (2 * self.flatness)

    @property
    def reach(self) -> float:
        """Radius beyond which the profile is 0."""
        sink = self.flatness * (1 + self.rim)
        return math.sqrt(self.ball**2 - (self.ball - sink) ** 2)

    def values(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Values f and derivatives by x and y, each (N,)."""
        q = np.minimum(x * x + y * y, self.reach**2)
        root = np.sqrt(self.ball**2 - q)
        rise = 1 - (self.ball - root) / self.flatness
        f, slope = _rounded_positive(rise, self.rim)
        factor = -slope / (root * self.flatness)
        return f, factor * x, factor * y


@dataclass(frozen=True, slots=True)
class FlatBottom:
    """A flat bottom with smooth walls: f = S((1 − ρ)/wall), S = 10 u³ − 15 u⁴ + 6 u⁵ on 0 … 1.

    Attributes
    ----------
    wall : float
        Width of the wall as a share of the radius.
    """

    wall: float = 0.4

    def __post_init__(self) -> None:
        if not 0 < self.wall <= 1:
            raise ValueError(f"a wall must lie in 0 … 1 (found {self.wall})")

    @property
    def reach(self) -> float:
        """Radius beyond which the profile is 0."""
        return 1.0

    def values(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Values f and derivatives by x and y, each (N,)."""
        radius = np.hypot(x, y)
        f, slope = smooth_step((1 - radius) / self.wall)
        factor = -slope / (self.wall * np.maximum(radius, 1e-12))
        return f, factor * x, factor * y


@dataclass(frozen=True, slots=True)
class Bell:
    """Much like a Gaussian, but ending at 1: f = (1 − ρ²)^sharpness; long and turned by the dent's axes."""

    sharpness: float = 4.0

    def __post_init__(self) -> None:
        if not self.sharpness >= 3:
            raise ValueError(f"a bell's sharpness must be 3 or more (found {self.sharpness})")

    @property
    def reach(self) -> float:
        """Radius beyond which the profile is 0."""
        return 1.0

    def values(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Values f and derivatives by x and y, each (N,)."""
        rest = np.maximum(1 - x * x - y * y, 0.0)
        factor = -2 * self.sharpness * rest ** (self.sharpness - 1)
        return rest**self.sharpness, factor * x, factor * y


@dataclass(frozen=True, slots=True)
class RaisedRim:
    """A pit with metal thrown up round it: f = (1 − ρ²)³ (1 − throw · ρ²), negative beyond ρ² = 1/throw."""

    throw: float = 2.5

    def __post_init__(self) -> None:
        if not 1 < self.throw <= 6:
            raise ValueError(f"a rim's throw must lie in 1 … 6 (found {self.throw})")

    @property
    def reach(self) -> float:
        """Radius beyond which the profile is 0."""
        return 1.0

    @property
    def greatest_rise(self) -> float:
        """Height of the rim as a share of the depth: −f where 3 (1 − throw q) + throw (1 − q) = 0, q = ρ²."""
        q = (3 + self.throw) / (4 * self.throw)
        return (1 - q) ** 3 * (self.throw * q - 1)

    def values(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Values f and derivatives by x and y, each (N,)."""
        q = x * x + y * y
        rest = np.maximum(1 - q, 0.0)
        level = 1 - self.throw * q
        factor = 2 * (-3 * rest**2 * level - self.throw * rest**3)
        return rest**3 * level, factor * x, factor * y


@dataclass(frozen=True, slots=True)
class Skewed:
    """Struck at a slant, deepest off its middle: f = (1 − ρ²)³ (1 + slant · x) / greatest."""

    slant: float = 0.9

    def __post_init__(self) -> None:
        if not 0 < self.slant < 1:
            raise ValueError(f"a slant must lie between 0 and 1 (found {self.slant})")

    @property
    def reach(self) -> float:
        """Radius beyond which the profile is 0."""
        return 1.0

    @property
    def deepest(self) -> float:
        """The x of the deepest place: 7 slant x² + 6 x − slant = 0."""
        return (-3 + math.sqrt(9 + 7 * self.slant**2)) / (7 * self.slant)

    def values(self, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Values f and derivatives by x and y, each (N,)."""
        greatest = (1 - self.deepest**2) ** 3 * (1 + self.slant * self.deepest)
        rest = np.maximum(1 - x * x - y * y, 0.0)
        tilt = 1 + self.slant * x
        factor = -6 * rest**2 * tilt / greatest
        return (
            rest**3 * tilt / greatest,
            factor * x + self.slant * rest**3 / greatest,
            factor * y,
        )


@dataclass(frozen=True, slots=True)
class Dent:
    """A dent: a profile over a turned ellipse, pressed in along the normal.

    Attributes
    ----------
    center_st : (float, float)
    half_axes_mm : (float, float)
        A and B, of the profile's unit disc.
    angle_rad : float
        From +s to the axis of A.
    depth_mm : float
        Greatest depth below the undamaged sheet.
    profile : Profile
    """

    center_st: tuple[float, float]
    half_axes_mm: tuple[float, float]
    angle_rad: float
    depth_mm: float
    profile: Profile

    def __post_init__(self) -> None:
        for axis in self.half_axes_mm:
            positive("a dent's half axis", axis)
        finite("a dent's angle", self.angle_rad)
        positive("a dent's depth", self.depth_mm)

    @property
    def box(self) -> Box:
        """Where it may differ from 0."""
        s, t = self.center_st
        a, b = (axis * self.profile.reach for axis in self.half_axes_mm)
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        half_s, half_t = math.hypot(a * cosine, b * sine), math.hypot(a * sine, b * cosine)
        return Box(s - half_s, s + half_s, t - half_t, t + half_t)

    def height(self, s: Array, t: Array) -> Height:
        """Displacement and derivatives at (s, t), each (N,)."""
        a_axis, b_axis = self.half_axes_mm
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        ds, dt = s - self.center_st[0], t - self.center_st[1]
        f, f_x, f_y = self.profile.values(
            (cosine * ds + sine * dt) / a_axis, (cosine * dt - sine * ds) / b_axis
        )
        down_a, down_b = -self.depth_mm / a_axis * f_x, -self.depth_mm / b_axis * f_y
        return Height(-self.depth_mm * f, cosine * down_a - sine * down_b, sine * down_a + cosine * down_b)

    def ellipse(self, factor: float, angles_rad: Array) -> Array:
        """Points (n, 2) in (s, t) on the dent's own ellipse, `factor` times its reach from the centre."""
        a, b = (axis * self.profile.reach * factor for axis in self.half_axes_mm)
        x, y = a * np.cos(angles_rad), b * np.sin(angles_rad)
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        return np.stack(
            [self.center_st[0] + cosine * x - sine * y, self.center_st[1] + sine * x + cosine * y], axis=-1
        )


def smooth_step(u: Array) -> tuple[Array, Array]:
    """The step S = 10 u³ − 15 u⁴ + 6 u⁵ from 0 at u ≤ 0 to 1 at u ≥ 1, and its derivative."""
    v = np.clip(u, 0.0, 1.0)
    return v**3 * (10 - 15 * v + 6 * v * v), 30 * v * v * (1 - v) ** 2


def _rounded_positive(value: Array, width: float) -> tuple[Array, Array]:
    # max(value, 0) with its corner rounded over ± width (twice differentiable); and its derivative
    if width == 0:
        return np.maximum(value, 0.0), (value > 0).astype(np.float64)
    u = np.clip((value + width) / (2 * width), 0.0, 1.0)
    above = value > width
    return np.where(above, value, 2 * width * u**3 * (1 - u / 2)), u * u * (3 - 2 * u)
