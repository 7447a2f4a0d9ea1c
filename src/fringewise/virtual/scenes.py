"""Random scenes: a blade posed before a head, with damages placed well apart and in view."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final, Literal

import numpy as np

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.virtual.blades import Placed, random_blade
from fringewise.virtual.edge_sketches import EDGE_MAKERS
from fringewise.virtual.line_sketches import LINE_MAKERS
from fringewise.virtual.part import Part
from fringewise.virtual.patch import Patch, Scene
from fringewise.virtual.poses import random_view
from fringewise.virtual.reliefs import Box
from fringewise.virtual.rounded import rounded_leading_edge
from fringewise.virtual.sheets import Cylinder, Sheet
from fringewise.virtual.sketches import FACE_MAKERS, Drawn, Maker, Place, Site, Sketch, Where
from fringewise.virtual.standard import standard_head
from fringewise.virtual.truth import truth_documents
from fringewise.virtual.view import View

Backdrop = Literal["empty", "casing"]

BLADE: Final = "blade"
MAKERS: Final[Mapping[str, Maker]] = MappingProxyType({**FACE_MAKERS, **LINE_MAKERS, **EDGE_MAKERS})
"""Everything that can be asked for, and what draws it."""

_POSES_TRIED: Final = 60
_APART_MM: Final = 0.4


def random_blade_scene(
    rng: np.random.Generator,
    standoff_mm: float,
    damages: Sequence[str],
    *,
    head: Head | None = None,
    backdrop: Backdrop = "empty",
    most_tilt_deg: float = 25.0,
    rounded_edge_mm: float | None = None,
    blade: tuple[Sheet, Box] | None = None,
) -> Scene:
    """Draw a blade at random, pose it before the head and put damages on it, fully in view and well apart.

    Parameters
    ----------
    rng : numpy Generator
    standoff_mm : float
        Distance along the camera's axis to the middle of what is looked at; 10-24 mm suits the sizes drawn.
    damages : sequence of str
        What to draw, keys of `MAKERS`, such as ``"dent"``,
        ``"rimmed dent"``, ``"distance"``. The truths get the ids ``F1``, ``F2`` … in this order.
    head : Head, optional
        Its view says what is well seen; the standard head by default.
    backdrop : {"empty", "casing"}
        What lies behind the blade.
    most_tilt_deg : float
        Greatest tilt of the blade's normal to the camera's axis.
    rounded_edge_mm : float, optional
        Rounds the leading edge with this radius; not together with damage at edges, whose truth is the sharp
        sheet's. Without it the sheet ends sharp.
    blade : (Sheet, Box), optional
        A sheet and its outline to use instead of a random one, such as one of published coordinates.

    Raises
    ------
    ValueError
        No place was found for all damages in 60 poses: ask for fewer or for a longer stand-off.

    Examples
    --------
    >>> scene = random_blade_scene(np.random.default_rng(3), 17.0, ["cap dent"])
    >>> scene.patches[0].name, sorted(scene.truths["F1"]["quantities"])
    ('blade', ['area', 'depth', 'length', 'volume', 'width'])
    """
    looking = head or standard_head()
    for _ in range(_POSES_TRIED):
        sheet, outline = blade or _random_sheet(rng)
        sketches = [_maker(name)(rng, standoff_mm) for name in damages]
        if rounded_edge_mm is not None and any(sketch.where != "face" for sketch in sketches):
            raise ValueError("damage at edges is drawn on sharp edges only: leave rounded_edge_mm out")
        aim = _aim(rng, outline, standoff_mm, {sketch.where for sketch in sketches})
        view = random_view(rng, sheet, aim, standoff_mm, looking, most_tilt_deg=most_tilt_deg)
        places = _places(rng, view, outline, sketches)
        if places is not None:
            break
    else:
        raise ValueError(f"no room for {list(damages)} at {standoff_mm} mm: ask for fewer damages")
    drawn = [
        sketch.put(Site(f"F{n + 1}", BLADE, view, outline, place))
        for n, (sketch, place) in enumerate(zip(sketches, places, strict=True))
    ]
    part = _assembled(sheet, outline, drawn, float(rng.uniform(0.4, 0.65)))
    patches: list[Patch] = [part]
    if rounded_edge_mm is not None:
        patches.append(rounded_leading_edge(part, rounded_edge_mm))
    if backdrop == "casing":
        patches.append(_casing_behind(rng))
    truths = truth_documents([one.truth for one in drawn])
    return Scene(tuple(patches), view.rotation, view.translation_mm, truths)


def _maker(name: str) -> Maker:
    if name not in MAKERS:
        raise ValueError(f"unknown damage {name!r}: choose from {', '.join(MAKERS)}")
    return MAKERS[name]


def _aim(rng: np.random.Generator, outline: Box, standoff_mm: float, wheres: set[Where]) -> Place:
    # what the camera looks at: the face's middle, or a little inside the edges that have damage
    inward = rng.uniform([0.15, 0.12], [0.3, 0.25]) * standoff_mm
    s = rng.uniform(0.7 * outline.s_low + 0.3 * outline.s_high, 0.3 * outline.s_low + 0.7 * outline.s_high)
    t = rng.uniform(0.7 * outline.t_low + 0.3 * outline.t_high, 0.3 * outline.t_low + 0.7 * outline.t_high)
    if wheres & {"leading edge", "tip corner"}:
        s = outline.s_low + inward[0]
    if wheres & {"tip", "tip corner"}:
        t = outline.t_high - inward[1]
    return float(s), float(t)


def _random_sheet(rng: np.random.Generator) -> tuple[Sheet, Box]:
    sheet = random_blade(rng)
    chord = min(float(rng.uniform(20, 30)), 1.3 * abs(sheet.radius_mm))
    return sheet, Box(-chord / 2, chord / 2, -20.0, 20.0)


def _places(
    rng: np.random.Generator, view: View, outline: Box, sketches: Sequence[Sketch]
) -> list[tuple[float, float]] | None:
    # the largest first, each at random among the places that are in view and free; None if there is none
    taken: dict[int, tuple[float, float]] = {}
    for n in sorted(range(len(sketches)), key=lambda k: -sketches[k].room_mm):
        room = sketches[n].room_mm
        free = _candidates(rng, outline, sketches[n])
        for m, other in taken.items():
            apart = np.linalg.norm(free - other, axis=1)
            free = free[apart > room + sketches[m].room_mm + _APART_MM]
        place = _first_shown(view, free, room)
        if place is None:
            return None
        taken[n] = place
    return [taken[n] for n in range(len(sketches))]


def _candidates(rng: np.random.Generator, outline: Box, sketch: Sketch) -> Array:
    low = np.array([outline.s_low, outline.t_low]) + sketch.room_mm
    high = np.array([outline.s_high, outline.t_high]) - sketch.room_mm
    if sketch.where == "tip corner":
        return np.array([[outline.s_low, outline.t_high]])
    if not np.all(low < high):
        return np.empty((0, 2))
    places = rng.uniform(low, high, (400, 2))
    if sketch.where == "leading edge":
        places[:, 0] = outline.s_low
    if sketch.where == "tip":
        places[:, 1] = outline.t_high
    return np.asarray(places)


def _first_shown(view: View, candidates: Array, room_mm: float) -> tuple[float, float] | None:
    angles = np.linspace(0, 2 * math.pi, 12, endpoint=False)
    ring = room_mm * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    if not len(candidates):
        return None
    shown = view.shows((candidates[:, None, :] + ring).reshape(-1, 2)).reshape(len(candidates), -1)
    good = np.flatnonzero(shown.all(axis=1))
    return (float(candidates[good[0], 0]), float(candidates[good[0], 1])) if len(good) else None


def _assembled(sheet: Sheet, outline: Box, drawn: Sequence[Drawn], tone: float) -> Part:
    return Part(
        BLADE,
        sheet,
        outline,
        reliefs=tuple(relief for one in drawn for relief in one.reliefs),
        cuts=tuple(cut for one in drawn for cut in one.cuts),
        paints=tuple(paint for one in drawn for paint in one.paints),
        tone=tone,
    )


def _casing_behind(rng: np.random.Generator) -> Part:
    # a wide hollow sheet some way behind the blade, bright or dull
    bright = rng.uniform() < 0.5
    shift = np.array([0.0, 0.0, -float(rng.uniform(8, 13))])
    sheet = Placed(Cylinder(-float(rng.uniform(120, 300))), np.eye(3), shift)
    tone = float(rng.uniform(0.5, 0.7) if bright else rng.uniform(0.08, 0.2))
    return Part("casing", sheet, Box(-45, 45, -45, 45), tone=tone, mesh_step_mm=0.4)
