"""What is drawn on a sheet in other tones: dots, corners, crack lines, soot. It moves no metal."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fringewise.core.checks import Array, positive
from fringewise.virtual.reliefs import Box
from fringewise.virtual.wander import Wander

PAINT_EDGE_MM = 0.012
"""Width over which a painted edge fades; a pixel at 10 mm stand-off sees 0.014 mm."""


class Paint(Protocol):
    """A drawing on the sheet."""

    @property
    def box(self) -> Box:
        """Where it may cover the sheet."""

    @property
    def albedo(self) -> float:
        """Its own reflectance."""

    def cover(self, s: Array, t: Array) -> Array:
        """Share of the sheet's own tone that it replaces, 0 … 1, at (s, t), each (N,)."""


@dataclass(frozen=True, slots=True)
class Dot:
    """A round dot, a target for distances.

    Attributes
    ----------
    center_st : (float, float)
    radius_mm : float
    albedo : float
    """

    center_st: tuple[float, float]
    radius_mm: float = 0.3
    albedo: float = 0.06

    def __post_init__(self) -> None:
        positive("a dot's radius", self.radius_mm)

    @property
    def box(self) -> Box:
        """Where it may cover the sheet."""
        return _square(self.center_st, self.radius_mm + PAINT_EDGE_MM)

    def cover(self, s: Array, t: Array) -> Array:
        """Share covered, 0 … 1."""
        radius = np.hypot(s - self.center_st[0], t - self.center_st[1])
        return _faded(self.radius_mm - radius)


@dataclass(frozen=True, slots=True)
class CheckerCorner:
    """A corner where two dark and two light squares meet.

    Attributes
    ----------
    center_st : (float, float)
    half_side_mm : float
    angle_rad : float
    albedo : float
        Of the dark squares; the light ones are the sheet's own tone.
    """

    center_st: tuple[float, float]
    half_side_mm: float = 0.6
    angle_rad: float = 0.0
    albedo: float = 0.06

    def __post_init__(self) -> None:
        positive("a corner's half side", self.half_side_mm)

    @property
    def box(self) -> Box:
        """Where it may cover the sheet."""
        return _square(self.center_st, self.half_side_mm * math.sqrt(2) + PAINT_EDGE_MM)

    def cover(self, s: Array, t: Array) -> Array:
        """Share covered, 0 … 1."""
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        ds, dt = s - self.center_st[0], t - self.center_st[1]
        a, b = cosine * ds + sine * dt, cosine * dt - sine * ds
        inside = _faded(self.half_side_mm - np.maximum(np.abs(a), np.abs(b)))
        nearer = np.where(np.abs(a) < np.abs(b), np.abs(a), np.abs(b))
        return inside * _faded(nearer * np.sign(a) * np.sign(b))


@dataclass(frozen=True, slots=True)
class Soot:
    """A soft dark patch without an edge.

    Attributes
    ----------
    center_st : (float, float)
    radius_mm : float
        Where it has faded out.
    strength : float
        Greatest share covered, 0 … 1.
    albedo : float
    """

    center_st: tuple[float, float]
    radius_mm: float = 3.0
    strength: float = 0.8
    albedo: float = 0.08

    def __post_init__(self) -> None:
        positive("a patch's radius", self.radius_mm)
        if not 0 <= self.strength <= 1:
            raise ValueError(f"a patch's strength must lie in 0 … 1 (found {self.strength})")

    @property
    def box(self) -> Box:
        """Where it may cover the sheet."""
        return _square(self.center_st, self.radius_mm)

    def cover(self, s: Array, t: Array) -> Array:
        """Share covered, 0 … 1."""
        q = ((s - self.center_st[0]) ** 2 + (t - self.center_st[1]) ** 2) / self.radius_mm**2
        mottle = 0.8 + 0.1 * np.sin(2.9 * s + 1.3 * t) + 0.07 * np.sin(4.7 * t - 2.2 * s)
        mottle += 0.03 * np.sin(11.0 * s + 8.3 * t)
        return np.asarray(self.strength * mottle * np.maximum(1 - q, 0.0) ** 2)


@dataclass(frozen=True, slots=True)
class CrackLine:
    """A dark wandering line; its rounded ends reach half its width beyond the crack's own.

    Attributes
    ----------
    line : Wander
        The crack itself, from end to end.
    width_mm : float
    albedo : float
    """

    line: Wander
    width_mm: float = 0.09
    albedo: float = 0.03

    def __post_init__(self) -> None:
        positive("a crack's width", self.width_mm)

    @property
    def box(self) -> Box:
        """Where it may cover the sheet."""
        return self.line.box(self.width_mm / 2 + PAINT_EDGE_MM)

    def cover(self, s: Array, t: Array) -> Array:
        """Share covered, 0 … 1."""
        return _faded(self.width_mm / 2 - self.line.distance(s, t))


def _square(center: tuple[float, float], half: float) -> Box:
    return Box(center[0] - half, center[0] + half, center[1] - half, center[1] + half)


def _faded(inside_mm: Array) -> Array:
    # 1 well inside, 0 well outside, a straight ramp over the paint's edge
    return np.asarray(np.clip(0.5 + inside_mm / PAINT_EDGE_MM, 0.0, 1.0))
