"""A line that wanders about a straight one, as cracks and gouges do: b = m(a), a sum of sines."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fringewise.core.checks import Array, finite, positive
from fringewise.virtual.reliefs import Box


@dataclass(frozen=True, slots=True)
class Wander:
    """The curve (a, m(a)), 0 ≤ a ≤ length, turned and moved into (s, t).

    m(a) = Σ amplitude · (sin(2π · waves · a/length + phase) − sin(phase)), so that it starts at b = 0.

    Attributes
    ----------
    start_st : (float, float)
    angle_rad : float
        From +s to the straight direction.
    length_mm : float
        Along the straight direction; the curve itself is longer.
    waves : tuple of (amplitude in mm, waves over the length, phase in rad)
    """

    start_st: tuple[float, float]
    angle_rad: float
    length_mm: float
    waves: tuple[tuple[float, float, float], ...] = ()

    def __post_init__(self) -> None:
        finite("a line's angle", self.angle_rad)
        positive("a line's length", self.length_mm)
        steepest = sum(abs(a) * 2 * math.pi * abs(w) for a, w, _ in self.waves) / self.length_mm
        if steepest > 1.5:
            raise ValueError(f"a line wanders too steeply: make its waves lower (slope {steepest:.2f})")

    def local(self, s: Array, t: Array) -> tuple[Array, Array]:
        """Coordinates a along and b across the straight direction."""
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        ds, dt = s - self.start_st[0], t - self.start_st[1]
        return cosine * ds + sine * dt, cosine * dt - sine * ds

    def offset(self, a: Array) -> tuple[Array, Array]:
        """Offset m(a) and its slope m'(a)."""
        m, slope = np.zeros_like(a), np.zeros_like(a)
        for amplitude, waves, phase in self.waves:
            rate = 2 * math.pi * waves / self.length_mm
            m += amplitude * (np.sin(rate * a + phase) - math.sin(phase))
            slope += amplitude * rate * np.cos(rate * a + phase)
        return m, slope

    def points(self, a: Array) -> Array:
        """Points (n, 2) in (s, t) of the curve at a."""
        b, _ = self.offset(a)
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        return np.stack(
            [self.start_st[0] + cosine * a - sine * b, self.start_st[1] + sine * a + cosine * b], axis=-1
        )

    def distance(self, s: Array, t: Array) -> Array:
        """Distance to the curve in (s, t), (N,): to first order across it, exact about its ends."""
        a, b = self.local(s, t)
        kept = np.clip(a, 0.0, self.length_mm)
        m, slope = self.offset(kept)
        across = np.abs(b - m) / np.hypot(1.0, slope)
        return np.where(kept == a, across, np.hypot(a - kept, b - m))

    def box(self, margin_mm: float) -> Box:
        """Range of (s, t) within `margin_mm` of the curve."""
        points = self.points(np.linspace(0.0, self.length_mm, 400))
        low, high = points.min(axis=0) - margin_mm, points.max(axis=0) + margin_mm
        return Box(low[0], high[0], low[1], high[1])
