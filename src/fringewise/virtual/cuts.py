"""Metal cut away over more than one edge or inside the sheet: lost corners, lost tips, holes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fringewise.core.checks import Array, finite, positive
from fringewise.virtual.edges import BEYOND_MM
from fringewise.virtual.patch import BoolArray
from fringewise.virtual.reliefs import Box


@dataclass(frozen=True, slots=True)
class CornerCut:
    """A corner lost where the leading edge meets the tip: u + v + hollow · u v < 1.

    u is the distance from the corner along the leading edge over `first_mm`, v along the tip over
    `second_mm`; hollow above 0 makes the outline hollow, below 0 full.
    """

    outline: Box
    first_mm: float
    second_mm: float
    hollow: float = 0.0

    def __post_init__(self) -> None:
        positive("a lost corner's first length", self.first_mm)
        positive("a lost corner's second length", self.second_mm)
        if not -0.9 < self.hollow < 20:
            raise ValueError(f"a lost corner's hollow must lie in -0.9 … 20 (found {self.hollow})")

    @property
    def box(self) -> Box:
        """Where metal may be missing."""
        s, t = self.outline.s_low, self.outline.t_high
        return Box(s - BEYOND_MM, s + self.second_mm, t - self.first_mm, t + BEYOND_MM)

    def missing(self, s: Array, t: Array) -> BoolArray:
        """Where there is no metal, at (s, t), each (N,)."""
        u = np.maximum(self.outline.t_high - t, 0.0) / self.first_mm
        v = np.maximum(s - self.outline.s_low, 0.0) / self.second_mm
        return np.asarray(u + v + self.hollow * u * v < 1)

    def rim_st(self, count: int) -> Array:
        """Points (count, 2) in (s, t) along the outline, from the leading edge to the tip."""
        u = np.linspace(1.0, 0.0, count)
        v = (1 - u) / (1 + self.hollow * u)
        return np.stack(
            [self.outline.s_low + v * self.second_mm, self.outline.t_high - u * self.first_mm], axis=-1
        )


@dataclass(frozen=True, slots=True)
class TipCut:
    """A tip lost over the whole chord: t > t_high − loss(s), loss = mean + Σ amplitude sin(rate s + phase).

    Attributes
    ----------
    outline : Box
    mean_mm : float
    waves : tuple of (amplitude in mm, rate in rad/mm, phase in rad)
        Together smaller than the mean.
    """

    outline: Box
    mean_mm: float
    waves: tuple[tuple[float, float, float], ...] = ()

    def __post_init__(self) -> None:
        positive("a lost tip's mean", self.mean_mm)
        if sum(abs(amplitude) for amplitude, _, _ in self.waves) >= self.mean_mm:
            raise ValueError("a lost tip's waves must be smaller than its mean")

    @property
    def box(self) -> Box:
        """Where metal may be missing."""
        box = self.outline
        low, high = box.s_low - BEYOND_MM, box.s_high + BEYOND_MM
        return Box(low, high, box.t_high - 2 * self.mean_mm, box.t_high + BEYOND_MM)

    def loss(self, s: Array) -> Array:
        """What is lost at s, mm."""
        lost = np.full_like(s, self.mean_mm)
        for amplitude, rate, phase in self.waves:
            lost += amplitude * np.sin(rate * s + phase)
        return lost

    def missing(self, s: Array, t: Array) -> BoolArray:
        """Where there is no metal, at (s, t), each (N,)."""
        return np.asarray(t > self.outline.t_high - self.loss(s))

    def rim_st(self, count: int) -> Array:
        """Points (count, 2) in (s, t) along the outline, from the leading to the trailing edge."""
        s = np.linspace(self.outline.s_low, self.outline.s_high, count)
        return np.stack([s, self.outline.t_high - self.loss(s)], axis=-1)


@dataclass(frozen=True, slots=True)
class Hole:
    """A hole inside the sheet with a wavy rim: ρ < 1 + Σ amplitude cos(n θ + phase) over a turned ellipse.

    Attributes
    ----------
    center_st : (float, float)
    half_axes_mm : (float, float)
    angle_rad : float
    waves : tuple of (amplitude, n, phase)
        Together smaller than 0.5.
    """

    center_st: tuple[float, float]
    half_axes_mm: tuple[float, float]
    angle_rad: float = 0.0
    waves: tuple[tuple[float, int, float], ...] = ()

    def __post_init__(self) -> None:
        for axis in self.half_axes_mm:
            positive("a hole's half axis", axis)
        finite("a hole's angle", self.angle_rad)
        if sum(abs(amplitude) for amplitude, _, _ in self.waves) >= 0.5:
            raise ValueError("a hole's waves must be smaller than half its radius")

    @property
    def box(self) -> Box:
        """Where metal may be missing."""
        rim = self.rim_st(720)
        low, high = rim.min(axis=0) - 1e-3, rim.max(axis=0) + 1e-3
        return Box(float(low[0]), float(high[0]), float(low[1]), float(high[1]))

    def missing(self, s: Array, t: Array) -> BoolArray:
        """Where there is no metal, at (s, t), each (N,)."""
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        ds, dt = s - self.center_st[0], t - self.center_st[1]
        x = (cosine * ds + sine * dt) / self.half_axes_mm[0]
        y = (cosine * dt - sine * ds) / self.half_axes_mm[1]
        return np.asarray(np.hypot(x, y) < self._radius(np.arctan2(y, x)))

    def rim_st(self, count: int, factor: float = 1.0) -> Array:
        """Points (count, 2) in (s, t) round the rim, or `factor` times as far out."""
        theta = np.linspace(0.0, 2 * math.pi, count, endpoint=False)
        radius = factor * self._radius(theta)
        x = self.half_axes_mm[0] * radius * np.cos(theta)
        y = self.half_axes_mm[1] * radius * np.sin(theta)
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        return np.stack(
            [self.center_st[0] + cosine * x - sine * y, self.center_st[1] + sine * x + cosine * y], axis=-1
        )

    def _radius(self, theta: Array) -> Array:
        radius = np.ones_like(theta)
        for amplitude, n, phase in self.waves:
            radius += amplitude * np.cos(n * theta + phase)
        return radius
