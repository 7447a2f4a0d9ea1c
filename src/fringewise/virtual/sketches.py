"""Damages as drawn on the face of a blade, one maker a kind: first a size, then a place and its truth.

A maker draws a random size that suits the stand-off and gives a `Sketch`: how much room it needs, and how to
put it at a place of the sheet.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from types import MappingProxyType
from typing import Final, Literal

import numpy as np

from fringewise.core.checks import Array
from fringewise.virtual.dents import dent_truth
from fringewise.virtual.paint import CheckerCorner, Dot, Paint
from fringewise.virtual.part import Cut
from fringewise.virtual.reliefs import Bell, Box, Cap, Dent, FlatBottom, Profile, RaisedRim, Relief, Skewed
from fringewise.virtual.targets import area_truth, distance_truth, offset_truth
from fringewise.virtual.truth import Truth
from fringewise.virtual.view import View

Where = Literal["face", "leading edge", "tip", "tip corner"]
Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Site:
    """Where a sketch is put.

    Attributes
    ----------
    name : str
        Id of the finding.
    patch : str
    view : View
        The undamaged sheet and its pose.
    outline : Box
        Where the sheet ends.
    center_st : (float, float)
    """

    name: str
    patch: str
    view: View
    outline: Box
    center_st: Place


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a sketch adds to a sheet, and its truth."""

    truth: Truth
    reliefs: tuple[Relief, ...] = ()
    cuts: tuple[Cut, ...] = ()
    paints: tuple[Paint, ...] = ()


@dataclass(frozen=True, slots=True)
class Sketch:
    """A damage of a certain size that has no place yet.

    Attributes
    ----------
    room_mm : float
        Radius about its place that must be in view and free of other damage.
    put : callable
        Puts it at a site.
    where : str
        On which part of the outline it goes.
    """

    room_mm: float
    put: Callable[[Site], Drawn]
    where: Where = field(default="face")


Maker = Callable[[np.random.Generator, float], Sketch]
"""Draws a size from (rng, stand-off in mm)."""

_PROFILES: Final[dict[str, Callable[[np.random.Generator], Profile]]] = {
    "cap": lambda _: Cap(),
    "flat": lambda rng: FlatBottom(float(rng.uniform(0.45, 0.8))),
    "long": lambda rng: Bell(float(rng.uniform(3.0, 5.0))),
    "rimmed": lambda rng: RaisedRim(float(rng.uniform(2.5, 5.0))),
    "skewed": lambda rng: Skewed(float(rng.uniform(0.5, 0.95))),
}


def dent_sketch(rng: np.random.Generator, standoff_mm: float, family: str | None = None) -> Sketch:
    """A dent 0.05-0.8 mm deep of one family (cap, flat, long, rimmed, skewed), or of any."""
    chosen = family or str(rng.choice(list(_PROFILES)))
    profile = _PROFILES[chosen](rng)
    longest = float(rng.uniform(0.7, min(2.3, 0.11 * standoff_mm)))
    slim = float(rng.uniform(0.45, 0.7) if chosen == "long" else rng.uniform(0.75, 1.0))
    axes = (longest, longest * slim)
    depth = math.exp(rng.uniform(math.log(0.05), math.log(min(0.8, 0.3 * axes[1]))))
    angle = float(rng.uniform(0, 2 * math.pi))
    corners = int(rng.integers(8, 13))
    spread = rng.uniform(1.08, 1.25, corners)
    turn = np.linspace(0, 2 * math.pi, corners, endpoint=False) + rng.uniform(0, 2 * math.pi)

    def put(site: Site) -> Drawn:
        dent = Dent(site.center_st, axes, angle, depth, profile)
        marks = np.concatenate([dent.ellipse(f, np.array([a])) for f, a in zip(spread, turn, strict=True)])
        truth = dent_truth(site.view.sheet, dent, site.name, site.patch, marks)
        return Drawn(truth, reliefs=(dent,))

    return Sketch(1.25 * longest * profile.reach + 0.8, put)


def distance_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """Two dots or two checker corners, 1.5 mm or more apart."""
    half = float(rng.uniform(1.5, 0.5 * standoff_mm)) / 2
    target, reach = _target(rng, standoff_mm)
    arm = half * _way(rng.uniform(0, 2 * math.pi))

    def put(site: Site) -> Drawn:
        ends = np.stack([site.center_st - arm, site.center_st + arm])
        paints = tuple(target(place) for place in ends)
        truth = distance_truth(site.view.sheet, ends, site.name, site.patch, type(paints[0]).__name__)
        return Drawn(truth, paints=paints)

    return Sketch(half + reach, put)


def offset_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """Three dots or corners: two for a line and one beside it."""
    target, reach = _target(rng, standoff_mm)
    radius = float(rng.uniform(0.1, 0.22)) * standoff_mm
    start = rng.uniform(0, 2 * math.pi)
    turns = start + np.array([0.0, rng.uniform(1.8, 2.6), rng.uniform(3.6, 4.6)])
    arms = radius * np.stack([np.cos(turns), np.sin(turns)], axis=-1)

    def put(site: Site) -> Drawn:
        places = site.center_st + arms
        paints = tuple(target(place) for place in places)
        drawn_as = type(paints[0]).__name__
        truth = offset_truth(
            site.view.sheet, places[:2], places[2:], site.name, patch=site.patch, drawn_as=drawn_as
        )
        return Drawn(truth, paints=paints)

    return Sketch(radius + reach, put)


def area_sketch(rng: np.random.Generator, standoff_mm: float) -> Sketch:
    """Four to seven dots or corners as corners of an outline."""
    target, reach = _target(rng, standoff_mm)
    count = int(rng.integers(4, 8))
    radius = float(rng.uniform(0.1, 0.22)) * standoff_mm
    turns = (np.arange(count) + rng.uniform(-0.2, 0.2, count)) * 2 * math.pi / count
    turns += rng.uniform(0, 2 * math.pi)
    arms = (radius * rng.uniform(0.75, 1.0, count))[:, None] * np.stack(
        [np.cos(turns), np.sin(turns)], axis=-1
    )

    def put(site: Site) -> Drawn:
        corners = site.center_st + arms
        paints = tuple(target(place) for place in corners)
        truth = area_truth(site.view, corners, site.name, site.patch, type(paints[0]).__name__)
        return Drawn(truth, paints=paints)

    return Sketch(radius + reach, put)


FACE_MAKERS: Final[Mapping[str, Maker]] = MappingProxyType(
    {
        "dent": dent_sketch,
        **{f"{family} dent": partial(dent_sketch, family=family) for family in _PROFILES},
        "distance": distance_sketch,
        "offset": offset_sketch,
        "area": area_sketch,
    }
)
"""Makers by what is asked for; "dent" is of any family."""


def _target(rng: np.random.Generator, standoff_mm: float) -> tuple[Callable[[Array], Paint], float]:
    # a way to draw one target, and how far it reaches; 8 to 14 pixels in radius at any stand-off
    radius = float(rng.uniform(0.012, 0.02)) * standoff_mm
    angle = float(rng.uniform(0, math.pi / 2))
    if rng.uniform() < 0.6:
        return lambda place: Dot((float(place[0]), float(place[1])), radius), radius + 0.3
    side = 1.5 * radius
    return lambda place: CheckerCorner((float(place[0]), float(place[1])), side, angle), 1.5 * side + 0.3


def _way(angle_rad: float) -> Array:
    return np.array([math.cos(angle_rad), math.sin(angle_rad)])
