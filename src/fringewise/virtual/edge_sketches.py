"""Nicks, bends, blends and lost corners as they are drawn at a blade's edges."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from types import MappingProxyType
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.virtual.cuts import CornerCut
from fringewise.virtual.edge_truth import bend_truth, blend_truth, corner_truth, nick_truth
from fringewise.virtual.edges import Bite, Edge, EdgeCut, RoundedU, RoundedV, Scallop, Swell
from fringewise.virtual.grooves import EdgeBend, Upside
from fringewise.virtual.part import Part
from fringewise.virtual.reliefs import Bell, Dent, Relief
from fringewise.virtual.sketches import Drawn, Maker, Site, Sketch, Where


def nick_sketch(rng: np.random.Generator, standoff_mm: float, shape: str | None = None) -> Sketch:
    """A nick 0.1-1.2 mm deep in the leading edge: a rounded V or a U; some throw up metal inside it."""
    half = float(rng.uniform(0.35, min(1.5, 0.09 * standoff_mm)))
    depth = float(rng.uniform(0.25, 0.9)) * half
    chosen = shape or str(rng.choice(["V", "U"]))
    bite: Bite = RoundedU() if chosen == "U" else RoundedV(float(rng.uniform(0.1, 0.4)))
    burr = float(rng.uniform(0.03, 0.12)) if rng.uniform() < 0.4 else 0.0
    gaps = rng.uniform(0.3, 0.9, 2)

    def put(site: Site) -> Drawn:
        edge = _edge(site)
        center = _along(site, edge)
        cut = EdgeCut(edge, center, half, depth, bite)
        reliefs: tuple[Relief, ...] = ()
        if burr:
            reliefs = (_burr(edge, center, depth, 0.8 * half, burr),)
        part = _part(site, reliefs, (cut,))
        marks = _either_side(edge, center, half, gaps)
        truth = nick_truth(part, cut, site.name, marks, f"edge_nick {type(bite).__name__}")
        return Drawn(truth, reliefs, (cut,))

    return Sketch(half + 1.2, put, "leading edge")


def blend_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """A finished blend in the leading edge, six to twelve times as long as deep."""
    half = float(rng.uniform(1.2, 0.16 * standoff_mm))
    depth = 2 * half / float(rng.uniform(6.0, 12.0))
    scallop = Scallop((half**2 + depth**2) / (4 * depth), depth)
    gaps = rng.uniform(0.3, 0.9, 2)

    def put(site: Site) -> Drawn:
        edge = _edge(site)
        center = _along(site, edge)
        cut = EdgeCut(edge, center, scallop.half_length_mm, depth, scallop)
        marks = _either_side(edge, center, half, gaps)
        truth = blend_truth(_part(site, (), (cut,)), cut, scallop, site.name, marks)
        return Drawn(truth, cuts=(cut,))

    return Sketch(half + 1.2, put, "leading edge")


def bend_sketch(rng: np.random.Generator, standoff_mm: float, where: Where = "leading edge") -> Sketch:
    """An edge bent up or down by 0.1-0.8 mm; half of them have drawn back within the sheet too."""
    half = float(rng.uniform(1.0, min(3.0, 0.15 * standoff_mm)))
    reach = float(rng.uniform(0.8, min(2.5, 0.15 * standoff_mm)))
    height = float(rng.uniform(0.1, min(0.8, 0.35 * reach))) * float(rng.choice([-1.0, 1.0]))
    pull = float(rng.uniform(0.02, 0.1)) if rng.uniform() < 0.5 else 0.0
    gaps = rng.uniform(0.3, 0.9, 2)

    def put(site: Site) -> Drawn:
        edge = _edge(site, "tip" if where == "tip" else "leading")
        center = _along(site, edge)
        bend = EdgeBend(edge, center, half, reach, height)
        cut = EdgeCut(edge, center, half, pull, Swell()) if pull else None
        cuts = (cut,) if cut else ()
        marks = _either_side(edge, center, half, gaps)
        truth = bend_truth(_part(site, (bend,), cuts), bend, cut, site.name, marks)
        return Drawn(truth, (bend,), cuts)

    return Sketch(max(half, reach) + 1.2, put, where)


def corner_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """A corner lost between leading edge and tip, 0.6-2.5 mm along each."""
    most = min(2.5, 0.14 * standoff_mm)
    first, second = (float(value) for value in rng.uniform(0.6, most, 2))
    hollow = float(rng.uniform(-0.4, 2.0))
    gaps = rng.uniform(0.3, 0.6, 2)
    spans = rng.uniform(0.08, 0.12, 2) * standoff_mm

    def put(site: Site) -> Drawn:
        cut = CornerCut(site.outline, first, second, hollow)
        box = site.outline
        down = box.t_high - first - np.array([gaps[0], gaps[0] + spans[0]])
        along = box.s_low + second + np.array([gaps[1], gaps[1] + spans[1]])
        marks = (
            np.stack([np.full(2, box.s_low), down], axis=-1),
            np.stack([along, np.full(2, box.t_high)], axis=-1),
        )
        truth = corner_truth(_part(site, (), (cut,)), cut, site.name, *marks)
        return Drawn(truth, cuts=(cut,))

    return Sketch(max(first, second) + 0.6 + 0.12 * standoff_mm, put, "tip corner")


EDGE_MAKERS: Final[Mapping[str, Maker]] = MappingProxyType(
    {
        "edge_nick": nick_sketch,
        "V edge_nick": partial(nick_sketch, shape="V"),
        "U edge_nick": partial(nick_sketch, shape="U"),
        "blend": blend_sketch,
        "edge_bend": bend_sketch,
        "tip edge_bend": partial(bend_sketch, where="tip"),
        "corner_loss": corner_sketch,
    }
)
"""Makers by what is asked for."""


def _edge(site: Site, side: str = "leading") -> Edge:
    return Edge("tip" if side == "tip" else "leading", site.outline)


def _along(site: Site, edge: Edge) -> float:
    a, _ = edge.from_st(np.array([site.center_st[0]]), np.array([site.center_st[1]]))
    return float(a[0])


def _either_side(edge: Edge, center: float, half: float, gaps: Array) -> Array:
    a = np.array([center - half - gaps[0], center + half + gaps[1]])
    return edge.to_st(a, np.zeros(2))


def _burr(edge: Edge, center: float, depth_mm: float, half_mm: float, height_mm: float) -> Upside:
    # metal thrown up just inside the bottom of a nick; the nick's outline itself stays on the sheet
    inward = 0.4 * depth_mm + 0.25
    place = edge.to_st(np.array([center]), np.array([depth_mm + inward]))[0]
    axes = (inward, half_mm)
    height = min(height_mm, 0.3 * min(axes))
    return Upside(Dent((float(place[0]), float(place[1])), axes, 0.0, height, Bell()))


def _part(site: Site, reliefs: tuple[Relief, ...], cuts: tuple[EdgeCut | CornerCut, ...]) -> Part:
    return Part(site.patch, site.view.sheet, site.outline, reliefs, cuts)
