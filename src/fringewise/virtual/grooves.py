"""Displacements along lines: gouges with a raised lip, bent edges, steps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fringewise.core.checks import Array, finite, positive
from fringewise.virtual.edges import Edge
from fringewise.virtual.reliefs import Box, Height, Relief, smooth_step
from fringewise.virtual.wander import Wander


@dataclass(frozen=True, slots=True)
class Groove:
    """A groove along a wandering line: h = −depth · T(a) · g((b − m(a))/half width).

    T rises from 0 to 1 over `taper_mm` at each end; g(y) = (1 − y²)³ (1 − throw · y²) throws metal up beside
    the groove where throw is above 1.

    Attributes
    ----------
    line : Wander
    half_width_mm : float
        Where the displacement ends, across the line's straight direction.
    depth_mm : float
    taper_mm : float
    throw : float
    """

    line: Wander
    half_width_mm: float
    depth_mm: float
    taper_mm: float
    throw: float = 0.0

    def __post_init__(self) -> None:
        positive("a groove's half width", self.half_width_mm)
        positive("a groove's depth", self.depth_mm)
        positive("a groove's taper", self.taper_mm)
        if 2 * self.taper_mm > self.line.length_mm:
            raise ValueError("a groove's two tapers must fit into its length")
        if not 0 <= self.throw <= 6:
            raise ValueError(f"a groove's throw must lie in 0 … 6 (found {self.throw})")

    @property
    def box(self) -> Box:
        """Where it may differ from 0."""
        return self.line.box(self.half_width_mm)

    def height(self, s: Array, t: Array) -> Height:
        """Displacement and derivatives at (s, t), each (N,)."""
        a, b = self.line.local(s, t)
        middle, slope = self.line.offset(a)
        y = (b - middle) / self.half_width_mm
        g, g_y = self._section(y)
        lead, lead_a = self._lead(a)
        h_a = -self.depth_mm * (lead_a * g - lead * g_y * slope / self.half_width_mm)
        h_b = -self.depth_mm * lead * g_y / self.half_width_mm
        cosine, sine = math.cos(self.line.angle_rad), math.sin(self.line.angle_rad)
        return Height(-self.depth_mm * lead * g, cosine * h_a - sine * h_b, sine * h_a + cosine * h_b)

    def _section(self, y: Array) -> tuple[Array, Array]:
        q = y * y
        rest, level = np.maximum(1 - q, 0.0), 1 - self.throw * q
        return rest**3 * level, 2 * y * (-3 * rest**2 * level - self.throw * rest**3)

    def _lead(self, a: Array) -> tuple[Array, Array]:
        rise, rise_slope = smooth_step(a / self.taper_mm)
        fall, fall_slope = smooth_step((self.line.length_mm - a) / self.taper_mm)
        return rise * fall, (rise_slope * fall - rise * fall_slope) / self.taper_mm


@dataclass(frozen=True, slots=True)
class EdgeBend:
    """An edge bent over: h = height · (1 − τ²)³ · (1 − b/reach)³, b inward from the edge, τ along it.

    Attributes
    ----------
    edge : Edge
    center_mm, half_length_mm : float
        Place along the edge and half the bent length; it may run past a corner (tip curl).
    reach_mm : float
        How far inward the bend goes.
    height_mm : float
        At the edge: positive towards the head.
    """

    edge: Edge
    center_mm: float
    half_length_mm: float
    reach_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        finite("a bend's place", self.center_mm)
        positive("a bend's half length", self.half_length_mm)
        positive("a bend's reach", self.reach_mm)
        finite("a bend's height", self.height_mm)

    @property
    def box(self) -> Box:
        """Where it may differ from 0: a little beyond the edge too."""
        low, high = self.center_mm - self.half_length_mm, self.center_mm + self.half_length_mm
        return self.edge.box(low, high, -1.0, self.reach_mm)

    def height(self, s: Array, t: Array) -> Height:
        """Displacement and derivatives at (s, t), each (N,)."""
        a, b = self.edge.from_st(s, t)
        tau = (a - self.center_mm) / self.half_length_mm
        along = np.maximum(1 - tau * tau, 0.0)
        inward = np.maximum(1 - b / self.reach_mm, 0.0)
        h_a = self.height_mm * inward**3 * (-6 * tau / self.half_length_mm) * along**2
        h_b = self.height_mm * along**3 * (-3 / self.reach_mm) * inward**2
        return Height(self.height_mm * along**3 * inward**3, *self.edge.slopes_to_st(h_a, h_b))


@dataclass(frozen=True, slots=True)
class Ledge:
    """A step: h = S(a/wall + 1/2) · (height + slope · a), a measured across a straight line.

    Attributes
    ----------
    through_st : (float, float)
        A place on the line, in the middle of the wall.
    angle_rad : float
        From +s to the direction in which it rises.
    height_mm : float
        Of the face on the far side above the near one; negative: below.
    wall_mm : float
        Width of the smooth wall between them.
    slope : float
        Tilt of the far face.
    """

    through_st: tuple[float, float]
    angle_rad: float
    height_mm: float
    wall_mm: float = 0.1
    slope: float = 0.0

    def __post_init__(self) -> None:
        finite("a step's angle", self.angle_rad)
        finite("a step's height", self.height_mm)
        positive("a step's wall", self.wall_mm)
        finite("a step's slope", self.slope)

    @property
    def box(self) -> Box:
        """Where it may differ from 0: everywhere."""
        return Box(-math.inf, math.inf, -math.inf, math.inf)

    def height(self, s: Array, t: Array) -> Height:
        """Displacement and derivatives at (s, t), each (N,)."""
        cosine, sine = math.cos(self.angle_rad), math.sin(self.angle_rad)
        a = cosine * (s - self.through_st[0]) + sine * (t - self.through_st[1])
        rise, rise_slope = smooth_step(a / self.wall_mm + 0.5)
        level = self.height_mm + self.slope * a
        h_a = rise_slope / self.wall_mm * level + rise * self.slope
        return Height(rise * level, cosine * h_a, sine * h_a)


@dataclass(frozen=True, slots=True)
class Upside:
    """Another relief turned over: what it presses in is thrown up instead."""

    relief: Relief

    @property
    def box(self) -> Box:
        """Where it may differ from 0."""
        return self.relief.box

    def height(self, s: Array, t: Array) -> Height:
        """Displacement and derivatives at (s, t), each (N,)."""
        down = self.relief.height(s, t)
        return Height(-down.h, -down.s, -down.t)
