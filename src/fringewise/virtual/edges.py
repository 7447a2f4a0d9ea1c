"""Edges of a sheet, and metal cut away from one edge: nicks and blends.

Along an edge, a runs with the sheet's other parameter and b inward from the edge, both in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, Protocol

import numpy as np

from fringewise.core.checks import Array, finite, positive
from fringewise.virtual.patch import BoolArray
from fringewise.virtual.reliefs import Box

Side = Literal["leading", "trailing", "tip", "root"]

BEYOND_MM: Final = 1.0
"""How far beyond the edge a cut reaches, where there is no metal anyway."""


@dataclass(frozen=True, slots=True)
class Edge:
    """One side of a sheet's outline.

    Attributes
    ----------
    side : {"leading", "trailing", "tip", "root"}
        At the least s, the greatest s, the greatest t, the least t.
    outline : Box
    """

    side: Side
    outline: Box

    @property
    def ends(self) -> tuple[float, float]:
        """Range of a."""
        box = self.outline
        return (box.t_low, box.t_high) if self.side in ("leading", "trailing") else (box.s_low, box.s_high)

    def to_st(self, a: Array, b: Array) -> Array:
        """Rows of (s, t) at a along the edge and b inward."""
        box = self.outline
        match self.side:
            case "leading":
                return np.stack([box.s_low + b, a], axis=-1)
            case "trailing":
                return np.stack([box.s_high - b, a], axis=-1)
            case "tip":
                return np.stack([a, box.t_high - b], axis=-1)
            case "root":
                return np.stack([a, box.t_low + b], axis=-1)

    def from_st(self, s: Array, t: Array) -> tuple[Array, Array]:
        """Places (a, b) of points (s, t), each (N,)."""
        box = self.outline
        match self.side:
            case "leading":
                return t, s - box.s_low
            case "trailing":
                return t, box.s_high - s
            case "tip":
                return s, box.t_high - t
            case "root":
                return s, t - box.t_low

    def slopes_to_st(self, by_a: Array, by_b: Array) -> tuple[Array, Array]:
        """Derivatives by (a, b) turned into derivatives by (s, t)."""
        match self.side:
            case "leading":
                return by_b, by_a
            case "trailing":
                return -by_b, by_a
            case "tip":
                return by_a, -by_b
            case "root":
                return by_a, by_b

    def box(self, a_low: float, a_high: float, b_low: float, b_high: float) -> Box:
        """Range of (s, t) of a range of (a, b)."""
        corners = self.to_st(np.array([a_low, a_high]), np.array([b_low, b_high]))
        low, high = corners.min(axis=0), corners.max(axis=0)
        return Box(float(low[0]), float(high[0]), float(low[1]), float(high[1]))


class Bite(Protocol):
    """Shape of a cut from an edge over −1 … 1: greatest value 1 at 0, and 0 at both ends."""

    def shape(self, tau: Array) -> Array:
        """Share of the depth at τ in −1 … 1."""


@dataclass(frozen=True, slots=True)
class RoundedV:
    """A V whose bottom is rounded: a hyperbola.

    Attributes
    ----------
    blunt : float
        Radius of the bottom as a share of the half length; small is sharp.
    """

    blunt: float = 0.2

    def __post_init__(self) -> None:
        positive("a V's bluntness", self.blunt)

    def shape(self, tau: Array) -> Array:
        """Share of the depth at τ in −1 … 1."""
        far = math.hypot(1.0, self.blunt)
        return np.asarray((far - np.hypot(tau, self.blunt)) / (far - self.blunt))


@dataclass(frozen=True, slots=True)
class RoundedU:
    """A U: steep sides and a broad bottom, √(1 − τ⁴)."""

    def shape(self, tau: Array) -> Array:
        """Share of the depth at τ in −1 … 1."""
        return np.asarray(np.sqrt(np.maximum(1 - tau**4, 0.0)))


@dataclass(frozen=True, slots=True)
class Scallop:
    """A finished blend: an arc of one radius, run out into the edge by two arcs of the same radius.

    With radius R and depth d the half length is √(4 R d − d²).
    """

    radius_mm: float
    depth_mm: float

    def __post_init__(self) -> None:
        positive("a scallop's radius", self.radius_mm)
        positive("a scallop's depth", self.depth_mm)
        if self.depth_mm > self.radius_mm:
            raise ValueError("a scallop is shallower than its radius")

    @property
    def half_length_mm(self) -> float:
        """Half the length along the edge."""
        return math.sqrt(4 * self.radius_mm * self.depth_mm - self.depth_mm**2)

    def shape(self, tau: Array) -> Array:
        """Share of the depth at τ in −1 … 1."""
        r, d = self.radius_mm, self.depth_mm
        x = np.abs(tau) * self.half_length_mm
        bottom = d - r + np.sqrt(np.maximum(r * r - x * x, 0.0))
        out = self.half_length_mm - x
        shoulder = r - np.sqrt(np.maximum(r * r - out * out, 0.0))
        return np.asarray(np.where(x < self.half_length_mm / 2, bottom, shoulder) / d)


@dataclass(frozen=True, slots=True)
class Swell:
    """The outline (1 − τ²)³, as an edge that is pulled in where it is bent."""

    def shape(self, tau: Array) -> Array:
        """Share of the depth at τ in −1 … 1."""
        return np.maximum(1 - tau * tau, 0.0) ** 3


@dataclass(frozen=True, slots=True)
class EdgeCut:
    """Metal missing from an edge: b < depth · shape((a − center)/half length).

    Attributes
    ----------
    edge : Edge
    center_mm, half_length_mm, depth_mm : float
    bite : Bite
    """

    edge: Edge
    center_mm: float
    half_length_mm: float
    depth_mm: float
    bite: Bite

    def __post_init__(self) -> None:
        finite("a cut's place", self.center_mm)
        positive("a cut's half length", self.half_length_mm)
        positive("a cut's depth", self.depth_mm)

    @property
    def box(self) -> Box:
        """Where metal may be missing."""
        low, high = self.center_mm - self.half_length_mm, self.center_mm + self.half_length_mm
        return self.edge.box(low, high, -BEYOND_MM, self.depth_mm * 1.001)

    def missing(self, s: Array, t: Array) -> BoolArray:
        """Where there is no metal, at (s, t), each (N,)."""
        a, b = self.edge.from_st(s, t)
        tau = (a - self.center_mm) / self.half_length_mm
        kept = np.clip(tau, -1.0, 1.0)
        return np.asarray((np.abs(tau) < 1) & (b < self.depth_mm * self.bite.shape(kept)))

    def rim_st(self, count: int) -> Array:
        """Points (count, 2) in (s, t) along the cut's outline from one end to the other."""
        tau = -np.cos(np.linspace(0.0, math.pi, count))
        return self.edge.to_st(
            self.center_mm + self.half_length_mm * tau, self.depth_mm * self.bite.shape(tau)
        )
