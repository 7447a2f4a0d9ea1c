"""A rounded edge: the sheet's end rolled over with a radius, as a patch of its own beside the sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array, positive
from fringewise.virtual.edges import Edge
from fringewise.virtual.part import Part
from fringewise.virtual.patch import BoolArray, Mesh, grid_mesh
from fringewise.virtual.sheets import cross, normal_derivatives

_FAR_RAD: Final = 2.4
"""How far the edge is rolled over: past what can be seen from the face's side."""

_JUST_INSIDE_MM: Final = 1e-6


@dataclass(frozen=True, slots=True)
class RoundedEdge:
    """P(s, t) = E(t) + r (cos θ − 1) N(t) + r sin θ B(t), θ = s/r; a `Patch`.

    E is the sheet's edge, N its normal, B the direction out of the sheet square to the edge.

    Attributes
    ----------
    name : str
    part : Part
        The sheet whose edge this is; metal is missing here where the part's cuts bite into that edge.
    edge : Edge
    radius_mm : float
    """

    name: str
    part: Part
    edge: Edge
    radius_mm: float

    def __post_init__(self) -> None:
        positive("a rounded edge's radius", self.radius_mm)

    @property
    def gloss(self) -> float:
        """Weight of the mirror-like light: the sheet's own."""
        return self.part.gloss

    def mesh(self) -> Mesh:
        """Triangles a quarter of a radian by 0.1 mm."""
        low, high = self.edge.ends
        t = np.linspace(low - 0.1, high + 0.1, int((high - low) / 0.1) + 3)
        return grid_mesh(self, self.radius_mm * np.linspace(-0.1, _FAR_RAD + 0.1, 21), t)

    def point(self, s: Array, t: Array) -> Array:
        """Points P(s, t), (N, 3), mm."""
        edge, _, normal, _, out, _ = self._frame(t)
        theta = s / self.radius_mm
        return np.asarray(
            edge + self.radius_mm * (_column(np.cos(theta) - 1) * normal + _column(np.sin(theta)) * out)
        )

    def tangents(self, s: Array, t: Array) -> tuple[Array, Array]:
        """Derivatives ∂P/∂s and ∂P/∂t, (N, 3) each."""
        _, along, normal, normal_t, out, out_t = self._frame(t)
        theta = s / self.radius_mm
        cosine, sine = _column(np.cos(theta)), _column(np.sin(theta))
        by_s = cosine * out - sine * normal
        by_t = along + self.radius_mm * ((cosine - 1) * normal_t + sine * out_t)
        return np.asarray(by_s), np.asarray(by_t)

    def metal(self, s: Array, t: Array) -> BoolArray:
        """Where there is metal, (N,)."""
        st = self.edge.to_st(t, np.full_like(t, _JUST_INSIDE_MM))
        rolled = (s >= 0) & (s <= _FAR_RAD * self.radius_mm)
        return np.asarray(rolled & self.part.metal(st[:, 0].copy(), st[:, 1].copy()))

    def albedo(self, s: Array, t: Array) -> Array:
        """Diffuse reflectance: the sheet's bare tone."""
        del t
        return np.full(len(s), self.part.tone)

    def _frame(self, t: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
        # edge point and its derivative, normal and its derivative, outward direction and its derivative
        st = self.edge.to_st(t, np.zeros_like(t))
        s, u = st[:, 0].copy(), st[:, 1].copy()
        first, second = self.part.sheet.first(s, u), self.part.sheet.second(s, u)
        normal, normal_s, normal_t = normal_derivatives(first, second)
        spanwise = self.edge.side in ("leading", "trailing")
        along, bend = (first.t, second.tt) if spanwise else (first.s, second.ss)
        normal_along = normal_t if spanwise else normal_s
        length = _column(np.linalg.norm(along, axis=1))
        unit = along / length
        unit_along = (bend - unit * _column(np.einsum("ni,ni->n", unit, bend))) / length
        sign = 1.0 if self.edge.side in ("trailing", "root") else -1.0
        out = sign * cross(unit, normal)
        out_along = sign * (cross(unit_along, normal) + cross(unit, normal_along))
        return first.x, along, normal, normal_along, out, out_along


def rounded_leading_edge(part: Part, radius_mm: float) -> RoundedEdge:
    """Round a part's leading edge."""
    return RoundedEdge("leading edge", part, Edge("leading", part.outline), radius_mm)


def _column(values: Array) -> Array:
    return values[:, None]
