"""Gouges, cracks, painted lines, holes and soot as they are drawn on the face of a blade."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np

from fringewise.virtual.cuts import Hole
from fringewise.virtual.face_truth import crack_truth, gouge_truth, hole_truth, path_truth
from fringewise.virtual.grooves import Groove
from fringewise.virtual.paint import CrackLine, Soot
from fringewise.virtual.sketches import Drawn, Maker, Place, Site, Sketch
from fringewise.virtual.truth import Marks, Truth
from fringewise.virtual.wander import Wander

_TURN_RAD: Final = 2 * math.pi


def gouge_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """A groove 0.04-0.3 mm deep along a wandering path, with a raised lip."""
    length = float(rng.uniform(2.0, min(8.0, 0.4 * standoff_mm)))
    half_width = float(rng.uniform(0.25, 0.6))
    depth = float(rng.uniform(0.04, 0.45 * half_width))
    throw = float(rng.uniform(1.5, 4.0))
    shape = _wandering(rng, length, 0.25)
    taper, marks = float(rng.uniform(0.15, 0.3)) * length, int(rng.integers(4, 9))

    def put(site: Site) -> Drawn:
        line = shape(site.center_st)
        groove = Groove(line, half_width, depth, taper, throw)
        path = line.points(np.linspace(0.35 * taper, length - 0.35 * taper, marks))
        truth = gouge_truth(site.view, groove, site.name, site.patch, path)
        return Drawn(truth, reliefs=(groove,))

    return Sketch(length / 2 + half_width + 0.8, put)


def crack_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """A dark wandering line 0.06-0.12 mm wide and 1.5-6 mm long; every third stands slightly open."""
    length = float(rng.uniform(1.5, min(6.0, 0.35 * standoff_mm)))
    width = float(rng.uniform(0.06, 0.12))
    shape, marks = _wandering(rng, length, 0.5), int(rng.integers(4, 8))
    is_open = rng.uniform() < 1 / 3

    def put(site: Site) -> Drawn:
        line = shape(site.center_st)
        truth = crack_truth(site.view.sheet, line, site.name, site.patch, marks)
        reliefs = (Groove(line, 0.75 * width, 0.25 * width, 0.2 * length),) if is_open else ()
        return Drawn(truth, reliefs=reliefs, paints=(CrackLine(line, width),))

    return Sketch(length / 2 + 0.8, put)


def path_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """A painted line to be followed with marks."""
    length = float(rng.uniform(2.0, 0.45 * standoff_mm))
    shape, marks = _wandering(rng, length, 0.6), int(rng.integers(3, 9))

    def put(site: Site) -> Drawn:
        line = shape(site.center_st)
        path = line.points(np.linspace(0.0, length, marks))
        truth = path_truth(site.view, path, site.name, site.patch, "CrackLine")
        return Drawn(truth, paints=(CrackLine(line, 0.15, 0.1),))

    return Sketch(length / 2 + 0.5, put)


def hole_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """A hole 0.8-3 mm wide with a wavy rim."""
    longest = float(rng.uniform(0.4, min(1.5, 0.08 * standoff_mm)))
    axes = (longest, longest * float(rng.uniform(0.6, 1.0)))
    angle = float(rng.uniform(0, _TURN_RAD))
    waves = tuple((float(rng.uniform(0, 0.08)), n, float(rng.uniform(0, _TURN_RAD))) for n in (2, 3, 5))
    marks, spread = int(rng.integers(8, 13)), float(rng.uniform(1.2, 1.5))

    def put(site: Site) -> Drawn:
        hole = Hole(site.center_st, axes, angle, waves)
        outline = hole.rim_st(marks, spread)
        truth = hole_truth(site.view.sheet, hole, site.name, site.patch, outline)
        return Drawn(truth, cuts=(hole,))

    return Sketch(1.5 * longest + 1.2, put)


def soot_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """A soft dark patch: an observation, nothing to measure."""
    radius = float(rng.uniform(1.0, min(4.0, 0.2 * standoff_mm)))
    strength = float(rng.uniform(0.5, 0.95))
    turn = np.linspace(0, _TURN_RAD, 8, endpoint=False)

    def put(site: Site) -> Drawn:
        outline = site.center_st + radius * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
        marks = (Marks("outline", site.patch, outline),)
        truth = Truth(site.name, "observation", "observation Soot", {}, marks)
        return Drawn(truth, paints=(Soot(site.center_st, radius, strength),))

    return Sketch(radius + 0.3, put)


LINE_MAKERS: Final[Mapping[str, Maker]] = MappingProxyType(
    {
        "gouge": gouge_sketch,
        "crack": crack_sketch,
        "path": path_sketch,
        "hole": hole_sketch,
        "soot": soot_sketch,
    }
)
"""Makers by what is asked for."""


class _Wandering:
    """A wandering line of known shape that has no place yet; called with its middle."""

    def __init__(self, line: Wander) -> None:
        self._line = line

    def __call__(self, middle_st: Place) -> Wander:
        line = self._line
        own = line.points(np.linspace(0.0, line.length_mm, 101))
        middle = (own.min(axis=0) + own.max(axis=0)) / 2
        start = (middle_st[0] - float(middle[0]), middle_st[1] - float(middle[1]))
        return Wander(start, line.angle_rad, line.length_mm, line.waves)


def _wandering(rng: np.random.Generator, length_mm: float, steepness: float) -> _Wandering:
    # three waves whose slopes add up to `steepness` at most
    counts = np.array([rng.uniform(0.4, 0.9), rng.uniform(1.2, 2.2), rng.uniform(3.0, 5.0)])
    slopes = steepness * rng.dirichlet([2.0, 2.0, 1.0])
    amplitudes = slopes * length_mm / (2 * math.pi * counts)
    phases = rng.uniform(0, _TURN_RAD, 3)
    waves = tuple((float(a), float(n), float(p)) for a, n, p in zip(amplitudes, counts, phases, strict=True))
    return _Wandering(Wander((0.0, 0.0), float(rng.uniform(0, _TURN_RAD)), length_mm, waves))
