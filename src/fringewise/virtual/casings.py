"""A blade's tip under a casing with a stated gap, and a blade that lost its tip beside a sound neighbour."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.capture.head import Head, rotation_from_vector
from fringewise.core.checks import Array
from fringewise.virtual.blades import Placed, random_blade
from fringewise.virtual.cuts import TipCut
from fringewise.virtual.edge_truth import tip_truth
from fringewise.virtual.part import Part
from fringewise.virtual.patch import Scene
from fringewise.virtual.poses import random_view
from fringewise.virtual.reliefs import Box, Dent, FlatBottom
from fringewise.virtual.sheets import Cylinder, Sheet
from fringewise.virtual.sizes import length_of, points_on
from fringewise.virtual.standard import standard_head
from fringewise.virtual.truth import Marks, Truth, truth_documents
from fringewise.virtual.view import View

_POSES_TRIED: Final = 400
_TIP_T: Final = 20.0
_CASING_TO_TIP: Final = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
"""Turns a casing's own frame so that its normal looks down the span (−y) and its t runs along +z."""


@dataclass(frozen=True, slots=True)
class Gap:
    """Distance from a tip's edge to a casing: least, and mean by arc length, mm."""

    least_mm: float
    mean_mm: float


def clearance_scene(
    rng: np.random.Generator,
    standoff_mm: float,
    *,
    head: Head | None = None,
    bright: bool | None = None,
    rubbed: bool | None = None,
) -> Scene:
    """Draw a blade's tip under a casing, seen from below at 38-48°, with a gap of 0.4-2.5 mm.

    Parameters
    ----------
    bright, rubbed : bool, optional
        Whether the casing is bright, and whether a rub groove runs over the tip (the gap then counts to the
        groove's floor); drawn at random where absent.

    Raises
    ------
    ValueError
        No pose showed both the tip and the casing.
    """
    looking = head or standard_head()
    for _ in range(_POSES_TRIED):
        blade = _tip_blade(rng)
        casing = _casing_over(rng, bright=bright, rubbed=rubbed)
        edge_st, casing_st = _clearance_marks(rng, blade, casing, standoff_mm)
        aim = (float(edge_st[:, 0].mean()), _TIP_T - 0.03 * standoff_mm)
        view = random_view(
            rng, blade.sheet, aim, standoff_mm, looking, most_tilt_deg=5.0, pitch_deg=-rng.uniform(38, 48)
        )
        over = View(casing.sheet, view.rotation, view.translation_mm, looking)
        if view.shows(edge_st).all() and over.shows(casing_st).all():
            break
    else:
        raise ValueError(f"no pose shows tip and casing at {standoff_mm} mm: choose another stand-off")
    gap = gap_between(blade, casing, edge_st)
    marks = (Marks("edge", blade.name, edge_st), Marks("casing", casing.name, casing_st))
    quantities = {"gap_least": gap.least_mm, "gap_mean": gap.mean_mm}
    truth = Truth("F1", "clearance", "clearance rubbed" if casing.reliefs else "clearance", quantities, marks)
    return Scene((blade, casing), view.rotation, view.translation_mm, truth_documents([truth]))


def tip_loss_scene(rng: np.random.Generator, standoff_mm: float, *, head: Head | None = None) -> Scene:
    """Draw a blade that lost its tip beside a sound neighbour; stand-offs of 17 mm or more give room.

    Raises
    ------
    ValueError
        No pose showed both edges and the neighbour's tip.
    """
    looking = head or standard_head()
    for _ in range(_POSES_TRIED):
        blade, cut, neighbour = _pair(rng)
        marks = _tip_marks(rng, blade, cut, neighbour)
        aim = (0.3 * blade.outline.s_high * float(rng.uniform(0.5, 1.5)), _TIP_T - 0.2 * standoff_mm)
        view = random_view(rng, blade.sheet, aim, standoff_mm, looking, most_tilt_deg=20.0)
        beside = View(neighbour.sheet, view.rotation, view.translation_mm, looking)
        shown = [view.shows(one.st).all() for one in marks[:2]]
        if all(shown) and beside.shows(marks[2].st).all() and not _hides(blade, view, beside, marks[2].st):
            break
    else:
        raise ValueError(f"no pose shows the lost tip at {standoff_mm} mm: choose a longer stand-off")
    truth = tip_truth(blade, cut, "F1", marks)
    return Scene((blade, neighbour), view.rotation, view.translation_mm, truth_documents([truth]))


def gap_between(blade: Part, casing: Part, edge_st: Array) -> Gap:
    """Gap from the blade's tip edge between two marks to the casing, a rub groove's flat floor included."""
    places = edge_st[0] + np.linspace(0.0, 1.0, 1601)[:, None] * (edge_st[1] - edge_st[0])
    points = points_on(blade.sheet, places)
    feet = nearest_st(casing.sheet, points, np.zeros((len(points), 2)))
    floor = casing.height(feet[:, 0].copy(), feet[:, 1].copy())
    if np.ptp(floor) > 1e-9:
        raise ValueError("the tip must face the rub groove's flat floor all along")
    gap = np.linalg.norm(points - points_on(casing.sheet, feet), axis=1) - floor
    arc = np.linalg.norm(np.diff(points, axis=0), axis=1)
    mean = float(np.sum(arc * (gap[1:] + gap[:-1]) / 2) / length_of(points))
    return Gap(float(gap.min()), mean)


def nearest_st(sheet: Sheet, points: Array, guess_st: Array) -> Array:
    """Places (s, t) of a sheet that are nearest to points (n, 3), by Gauss-Newton steps from a guess."""
    st = guess_st.copy()
    for _ in range(60):
        first = sheet.first(st[:, 0].copy(), st[:, 1].copy())
        gap = points - first.x
        e, f, g = (
            np.einsum("ni,ni->n", a, b)
            for a, b in ((first.s, first.s), (first.s, first.t), (first.t, first.t))
        )
        by_s, by_t = np.einsum("ni,ni->n", gap, first.s), np.einsum("ni,ni->n", gap, first.t)
        under = e * g - f * f
        step = np.stack([(g * by_s - f * by_t) / under, (e * by_t - f * by_s) / under], axis=-1)
        st += step
        if np.abs(step).max() < 1e-12:
            break
    return st


def _tip_blade(rng: np.random.Generator) -> Part:
    sheet = random_blade(rng)
    chord = min(float(rng.uniform(16, 26)), 1.1 * abs(sheet.radius_mm))
    outline = Box(-chord / 2, chord / 2, -_TIP_T, _TIP_T)
    return Part("blade", sheet, outline, tone=float(rng.uniform(0.4, 0.65)))


def _casing_over(rng: np.random.Generator, *, bright: bool | None, rubbed: bool | None) -> Part:
    is_bright = rng.uniform() < 0.5 if bright is None else bright
    is_rubbed = rng.uniform() < 0.3 if rubbed is None else rubbed
    lean = rotation_from_vector(np.radians([rng.uniform(-2, 2), rng.uniform(-15, 15), rng.uniform(-2, 2)]))
    shift = np.array([0.0, _TIP_T + float(rng.uniform(0.5, 2.4)), 0.0])
    sheet = Placed(Cylinder(-float(rng.uniform(150, 300))), lean @ _CASING_TO_TIP, shift)
    groove = Dent((0.0, 0.0), (400.0, 14.0), 0.0, float(rng.uniform(0.1, 0.35)), FlatBottom(0.12))
    tone = float(rng.uniform(0.5, 0.7) if is_bright else rng.uniform(0.15, 0.3))
    return Part(
        "casing",
        sheet,
        Box(-35, 35, -25, 25),
        reliefs=(groove,) if is_rubbed else (),
        tone=tone,
        mesh_step_mm=0.3,
        fine_step_mm=0.2,
    )


def _clearance_marks(
    rng: np.random.Generator, blade: Part, casing: Part, standoff_mm: float
) -> tuple[Array, Array]:
    # two marks on the tip's edge; six on the casing just before them, towards the head
    half = float(rng.uniform(0.1, 0.18)) * standoff_mm
    middle = float(rng.uniform(-1, 1))
    edge_st = np.array([[middle - half, _TIP_T], [middle + half, _TIP_T]])
    along = np.stack([np.linspace(middle - half, middle + half, 3), np.full(3, _TIP_T)], axis=-1)
    tip = points_on(blade.sheet, along)
    near = tip + np.array([0.0, 0.0, 0.4])
    far = tip[::-1] + np.array([0.0, 0.0, 0.4 + float(rng.uniform(0.1, 0.18)) * standoff_mm])
    return edge_st, nearest_st(casing.sheet, np.concatenate([near, far]), np.zeros((6, 2)))


def _pair(rng: np.random.Generator) -> tuple[Part, TipCut, Part]:
    sheet = random_blade(rng)
    chord = float(rng.uniform(8, 11))
    outline = Box(-chord / 2, chord / 2, -_TIP_T, _TIP_T)
    mean = float(rng.uniform(0.8, 2.0))
    rates = rng.uniform([0.2, 0.8, 2.0], [0.6, 1.5, 4.0])
    sizes = mean * np.array([0.35, 0.15, 0.05]) * rng.uniform(0.4, 1.0, 3)
    phases = rng.uniform(0, 2 * math.pi, 3)
    waves = tuple((float(a), float(w), float(p)) for a, w, p in zip(sizes, rates, phases, strict=True))
    cut = TipCut(outline, mean, waves)
    shift = np.array([float(rng.uniform(0.95, 1.2)) * chord, 0.0, -float(rng.uniform(2, 5))])
    beside = Placed(sheet, np.eye(3), shift)
    tone = float(rng.uniform(0.4, 0.65))
    return (
        Part("blade", sheet, outline, cuts=(cut,), tone=tone),
        cut,
        Part("neighbour", beside, outline, tone=tone),
    )


def _tip_marks(
    rng: np.random.Generator, blade: Part, cut: TipCut, neighbour: Part
) -> tuple[Marks, Marks, Marks]:
    box = blade.outline
    sides = []
    for name, s in (("first_edge", box.s_low), ("second_edge", box.s_high)):
        start = _TIP_T - float(cut.loss(np.array([s]))[0]) - float(rng.uniform(0.3, 0.6))
        sides.append(Marks(name, blade.name, np.array([[s, start], [s, start - float(rng.uniform(1.5, 3))]])))
    tip = np.stack([box.s_high * np.array([0.0, 0.4, 0.8]), np.full(3, _TIP_T)], axis=-1)
    return sides[0], sides[1], Marks("tip", neighbour.name, tip)


def _hides(blade: Part, view: View, beside: View, st: Array) -> bool:
    # whether the damaged blade stands before places of its neighbour
    points = beside.in_camera(st)
    met = view.place_seen(
        points[:, :2] / points[:, 2:], np.tile([[blade.outline.s_high, _TIP_T]], (len(st), 1))
    )
    if not np.all(np.isfinite(met)):
        return True
    nearer = view.in_camera(met)[:, 2] < points[:, 2]
    return bool(np.any(nearer & blade.metal(met[:, 0].copy(), met[:, 1].copy())))
