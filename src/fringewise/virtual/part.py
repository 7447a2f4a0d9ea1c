"""A damaged sheet: an undamaged one, displaced along its normal by reliefs, cut away by cuts, painted on.

P(s, t) = X(s, t) + h(s, t) N(s, t), P_s = X_s + h_s N + h N_s: the derivatives are exact, those of the normal
included.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from fringewise.core.checks import Array, positive
from fringewise.virtual.paint import Paint
from fringewise.virtual.patch import BoolArray, IndexArray, Mesh, grid_mesh
from fringewise.virtual.reliefs import Box, Height, PointIndex, Relief
from fringewise.virtual.sheets import First, Second, Sheet, normal_derivatives, unit_normals

_BLOCK: Final = 16384
"""Points worked on at once: their temporary arrays stay in the processor's cache."""


class Cut(Protocol):
    """Metal that is missing from a sheet."""

    @property
    def box(self) -> Box:
        """Where metal may be missing."""

    def missing(self, s: Array, t: Array) -> BoolArray:
        """Where there is no metal, at (s, t), each (N,)."""


@dataclass(frozen=True, slots=True)
class Part:
    """One sheet of a part with its damage; a `Patch`.

    Attributes
    ----------
    name : str
    sheet : Sheet
        The undamaged metal.
    outline : Box
        Where the sheet ends, in (s, t); its four sides are the part's edges.
    reliefs : tuple of Relief
        Their displacements are added.
    cuts : tuple of Cut
    paints : tuple of Paint
        Drawn one over the other.
    tone : float
        The bare metal's diffuse reflectance.
    gloss : float
        Weight of its mirror-like light.
    mesh_step_mm, fine_step_mm : float
        Spacing of the mesh on plain metal and about reliefs and cuts.
    """

    name: str
    sheet: Sheet
    outline: Box
    reliefs: tuple[Relief, ...] = ()
    cuts: tuple[Cut, ...] = ()
    paints: tuple[Paint, ...] = ()
    tone: float = 0.55
    gloss: float = 1.0
    mesh_step_mm: float = 0.12
    fine_step_mm: float = 0.05

    def __post_init__(self) -> None:
        positive("mesh_step_mm", self.mesh_step_mm)
        positive("fine_step_mm", self.fine_step_mm)
        if not 0 <= self.tone <= 1:
            raise ValueError(f"a sheet's tone must lie in 0 … 1 (found {self.tone})")
        if not (self.outline.s_low < self.outline.s_high and self.outline.t_low < self.outline.t_high):
            raise ValueError(f"a sheet's outline must rise in s and in t (found {self.outline})")

    def mesh(self) -> Mesh:
        """Triangles over the sheet, one step beyond its outline, finer about damage, none inside a cut."""
        boxes = [relief.box for relief in self.reliefs] + [cut.box for cut in self.cuts]
        box = self.outline
        s = self._lines(box.s_low, box.s_high, [(b.s_low, b.s_high) for b in boxes])
        t = self._lines(box.t_low, box.t_high, [(b.t_low, b.t_high) for b in boxes])
        whole = grid_mesh(self, s, t)
        lost = self._cut_away(whole.st[:, 0], whole.st[:, 1])
        kept = ~_wholly_lost(lost, whole.triangles)
        return Mesh(whole.vertices, whole.triangles[kept], whole.st)

    def point(self, s: Array, t: Array) -> Array:
        """Points P(s, t), (N, 3), mm."""
        made = np.empty((len(s), 3))
        for block in _blocks(len(s)):
            first = self.sheet.first(s[block], t[block])
            height, moved = self._height(s[block], t[block])
            if len(moved):
                normal = unit_normals(First(*(part[moved] for part in first)))
                first.x[moved] += height.h[:, None] * normal
            made[block] = first.x
        return made

    def tangents(self, s: Array, t: Array) -> tuple[Array, Array]:
        """Derivatives ∂P/∂s and ∂P/∂t, (N, 3) each."""
        made_s, made_t = np.empty((len(s), 3)), np.empty((len(s), 3))
        for block in _blocks(len(s)):
            first = self.sheet.first(s[block], t[block])
            height, moved = self._height(s[block], t[block])
            if len(moved):
                self._displace(first, s[block][moved], t[block][moved], height, moved)
            made_s[block], made_t[block] = first.s, first.t
        return made_s, made_t

    def metal(self, s: Array, t: Array) -> BoolArray:
        """Where there is metal, (N,)."""
        box = self.outline
        inside = (s >= box.s_low) & (s <= box.s_high) & (t >= box.t_low) & (t <= box.t_high)
        return np.asarray(inside & ~self._cut_away(s, t))

    def albedo(self, s: Array, t: Array) -> Array:
        """Diffuse reflectance 0 … 1, (N,)."""
        tone = np.full(len(s), self.tone)
        for paint in self.paints:
            near = paint.box.holds(s, t)
            if len(near):
                cover = paint.cover(s[near], t[near])
                tone[near] += cover * (paint.albedo - tone[near])
        return tone

    def height(self, s: Array, t: Array) -> Array:
        """Displacement h along the undamaged sheet's normal, (N,), mm."""
        made = np.zeros(len(s))
        height, moved = self._height(s, t)
        made[moved] = height.h
        return made

    def _height(self, s: Array, t: Array) -> tuple[Height, PointIndex]:
        # sum of the reliefs at the points that any of them reaches, and which points those are
        reached = [relief.box.holds(s, t) for relief in self.reliefs]
        found = [(relief, near) for relief, near in zip(self.reliefs, reached, strict=True) if len(near)]
        if not found:
            return Height(*(np.empty(0) for _ in range(3))), np.empty(0, dtype=np.intp)
        moved = found[0][1] if len(found) == 1 else np.unique(np.concatenate([near for _, near in found]))
        total = np.zeros((3, len(moved)))
        for relief, near in found:
            total[:, np.searchsorted(moved, near)] += relief.height(s[near], t[near])
        return Height(*total), moved

    def _displace(self, first: First, s: Array, t: Array, height: Height, moved: PointIndex) -> None:
        here = First(*(part[moved] for part in first))
        second: Second = self.sheet.second(s, t)
        normal, normal_s, normal_t = normal_derivatives(here, second)
        first.s[moved] += height.s[:, None] * normal + height.h[:, None] * normal_s
        first.t[moved] += height.t[:, None] * normal + height.h[:, None] * normal_t

    def _cut_away(self, s: Array, t: Array) -> BoolArray:
        lost = np.zeros(len(s), dtype=np.bool_)
        for cut in self.cuts:
            near = cut.box.holds(s, t)
            if len(near):
                lost[near] |= cut.missing(s[near], t[near])
        return lost

    def _lines(self, low: float, high: float, fine: list[tuple[float, float]]) -> Array:
        # grid lines from one step below `low` to one above `high`, closer together inside the fine ranges
        step = self.mesh_step_mm
        lines = [np.linspace(low - step, high + step, max(int((high - low) / step), 1) + 3)]
        for start, end in fine:
            start_in, end_in = max(start, low - step), min(end, high + step)
            if end_in > start_in:
                lines.append(np.linspace(start_in, end_in, int((end_in - start_in) / self.fine_step_mm) + 2))
        together = np.unique(np.concatenate(lines))
        apart = np.concatenate([[True], np.diff(together) > 0.2 * self.fine_step_mm])
        return np.asarray(together[apart])


def _wholly_lost(lost: BoolArray, triangles: IndexArray) -> BoolArray:
    return np.asarray(lost[triangles].all(axis=1))


def _blocks(count: int) -> Iterator[slice]:
    for start in range(0, count, _BLOCK):
        yield slice(start, min(start + _BLOCK, count))
