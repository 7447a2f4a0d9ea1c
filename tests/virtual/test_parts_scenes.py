"""Casings, lost tips, rounded edges, check blocks and published blades."""

import math
from pathlib import Path

import numpy as np
import pytest

from fringewise.core.checks import Array
from fringewise.virtual.blades import Placed
from fringewise.virtual.blocks import BlockKind, block_scene
from fringewise.virtual.casings import clearance_scene, gap_between, nearest_st, tip_loss_scene
from fringewise.virtual.edges import Edge, EdgeCut, RoundedU, Side
from fringewise.virtual.part import Part
from fringewise.virtual.patch import Patch
from fringewise.virtual.published import SplineSheet, section_points_mm, sheet_through
from fringewise.virtual.reliefs import Box
from fringewise.virtual.rounded import RoundedEdge
from fringewise.virtual.scenes import random_blade_scene
from fringewise.virtual.sheets import Cylinder, Plane, TwistedBlade, principal_curvatures, unit_normals
from fringewise.virtual.sizes import points_on
from fringewise.virtual.truth import marks_in_camera, truths_of

OUTLINE = Box(-8.0, 8.0, -10.0, 10.0)
BLADE = TwistedBlade(20.0, 0.01, 1e-4, 3e-4, 0.004)
DOWN = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])


@pytest.mark.parametrize("side", ["leading", "trailing", "tip", "root"])
def test_rounded_edge_joins_its_sheet_smoothly_and_its_tangents_are_exact(side: Side) -> None:
    part = Part("blade", BLADE, OUTLINE)
    edge = Edge(side, OUTLINE)
    rounded = RoundedEdge("edge", part, edge, 0.25)
    assert isinstance(rounded, Patch)
    t = np.linspace(-6, 6, 200)
    s = np.linspace(0, 0.5, 200)
    step = 1e-5
    by_s, by_t = rounded.tangents(s, t)
    np.testing.assert_allclose(
        by_s, (rounded.point(s + step, t) - rounded.point(s - step, t)) / (2 * step), atol=1e-8
    )
    np.testing.assert_allclose(
        by_t, (rounded.point(s, t + step) - rounded.point(s, t - step)) / (2 * step), atol=1e-8
    )
    start = edge.to_st(t, np.zeros(200))
    first = BLADE.first(*start.T.copy())
    none = np.zeros(200)
    np.testing.assert_allclose(rounded.point(none, t), first.x, atol=1e-12)
    out, along = rounded.tangents(none, t)
    np.testing.assert_allclose(
        np.abs(np.einsum("ni,ni->n", np.cross(out, along), unit_normals(first))),
        np.linalg.norm(along, axis=1),
        rtol=1e-9,
    )
    inside = points_on(BLADE, edge.to_st(t, np.full(200, 0.01)))
    assert np.all(np.einsum("ni,ni->n", out, first.x - inside) > 0)
    quarter = np.full(200, 0.25 * math.pi / 2)
    below = rounded.point(quarter, t) - first.x
    np.testing.assert_allclose(np.einsum("ni,ni->n", below, unit_normals(first)), -0.25, atol=1e-9)


def test_rounded_edge_has_no_metal_where_a_nick_bites() -> None:
    edge = Edge("leading", OUTLINE)
    cut = EdgeCut(edge, 0.0, 1.0, 0.5, RoundedU())
    rounded = RoundedEdge("edge", Part("blade", BLADE, OUTLINE, cuts=(cut,)), edge, 0.2)
    assert rounded.metal(np.full(3, 0.1), np.array([-2.0, 0.0, 2.0])).tolist() == [True, False, True]


def test_scene_with_a_rounded_edge_has_it_as_a_patch() -> None:
    scene = random_blade_scene(
        np.random.default_rng(1), 17.0, ["dent"], rounded_edge_mm=0.2, backdrop="casing"
    )
    assert [patch.name for patch in scene.patches] == ["blade", "leading edge", "casing"]


def test_gap_under_a_flat_casing_is_the_distance_drawn() -> None:
    blade = Part("blade", BLADE, OUTLINE)
    casing = Part("casing", Placed(Plane(), DOWN, np.array([0.0, 11.3, 0.0])), Box(-20, 20, -20, 20))
    gap = gap_between(blade, casing, np.array([[-3.0, 10.0], [3.0, 10.0]]))
    assert gap.least_mm == pytest.approx(1.3, abs=1e-9)
    assert gap.mean_mm == pytest.approx(1.3, abs=1e-7)


def test_gap_under_a_hollow_casing_agrees_with_the_closed_form() -> None:
    # a straight tip from x = −3 to 3 under a tube of radius 50 about the z axis, 1 mm above at x = 0
    blade = Part("plate", Plane(), OUTLINE)
    casing = Part("casing", Placed(Cylinder(-50.0), DOWN, np.array([0.0, 11.0, 0.0])), Box(-20, 20, -20, 20))
    gap = gap_between(blade, casing, np.array([[-3.0, 10.0], [3.0, 10.0]]))
    x = (np.arange(100000) + 0.5) * 6 / 100000 - 3
    # hollow towards the blade: its axis is at y = 11 − 50
    exact = 50 - np.hypot(x, 49.0)
    assert gap.least_mm == pytest.approx(50 - math.hypot(3, 49), abs=1e-8)
    assert gap.mean_mm == pytest.approx(exact.mean(), abs=1e-7)


@pytest.mark.parametrize("standoff_mm", [10.0, 17.0, 24.0])
def test_clearance_scenes_show_a_gap_of_the_stated_size(standoff_mm: float) -> None:
    for seed, rubbed in ((1, False), (2, True)):
        scene = clearance_scene(np.random.default_rng(seed), standoff_mm, rubbed=rubbed)
        truth = truths_of(scene)["F1"]
        assert 0.3 < truth.quantities["gap_least"] <= truth.quantities["gap_mean"] < 3.2
        casing = scene.patches[1]
        assert isinstance(casing, Part)
        marks = truth.marks_named("casing").st.T.copy()
        assert np.all(casing.height(*marks) == casing.height(*marks)[0])
        edge = marks_in_camera(scene, truth.marks_named("edge"))
        facing = marks_in_camera(scene, truth.marks_named("casing"))
        gaps = np.linalg.norm(edge[:, None] - facing[None], axis=-1)
        assert gaps.min() >= truth.quantities["gap_least"] - 1e-9


def test_lost_tip_stands_beside_a_sound_neighbour_of_the_same_height() -> None:
    scene = tip_loss_scene(np.random.default_rng(5), 20.0)
    truth = truths_of(scene)["F1"]
    blade, neighbour = scene.patches
    assert isinstance(blade, Part)
    tip = truth.marks_named("tip").st
    points = neighbour.point(*tip.T.copy())
    np.testing.assert_allclose(points[:, 1], blade.outline.t_high, atol=1e-12)
    assert truth.quantities["loss_greatest"] > 0.3
    chord = blade.outline.s_high - blade.outline.s_low
    assert truth.quantities["lost_area"] < chord * truth.quantities["loss_greatest"] * 1.1
    for name in ("first_edge", "second_edge"):
        assert blade.metal(*truth.marks_named(name).st.T.copy()).all()


@pytest.mark.parametrize("kind", ["step", "flat", "sphere"])
def test_check_blocks_are_what_they_state(kind: BlockKind) -> None:
    scene = block_scene(np.random.default_rng(1), 15.0, kind)
    truth, part = truths_of(scene)["F1"], scene.patches[0]
    points = [part.point(*marks.st.T.copy()) for marks in truth.marks]
    if kind == "sphere":
        centre = np.array([0.0, 0.0, -truth.quantities["diameter"] / 2])
        radii = np.linalg.norm(points[0] - centre, axis=1)
        np.testing.assert_allclose(2 * radii, truth.quantities["diameter"], atol=1e-12)
    elif kind == "flat":
        np.testing.assert_array_equal(points[0][:, 2], 0.0)
    else:
        assert truth.quantities["tilt_deg"] < 1e-6  # with this seed the faces are parallel
        heights = [float(np.ptp(one[:, 2])) for one in points]
        assert heights == [0.0, 0.0]
        assert points[1][0, 2] - points[0][0, 2] == pytest.approx(truth.quantities["step"], abs=1e-9)


def made_up_sections(count: int = 9) -> tuple[Array, Array]:
    """Both sides of a hollow, twisted blade as sections of points, and so a known surface."""
    share = np.linspace(0, 1, 60)
    sides = []
    for lift in (0.0, -1.5):
        sections = []
        for height in np.linspace(0, 30, count):
            s = 24 * (share - 0.5)
            x, z = 40 * np.sin(s / 40), 40 - 40 * np.cos(s / 40) + lift * np.sin(np.pi * share)
            turn = 0.01 * height
            sections.append(
                np.stack(
                    [
                        x * np.cos(turn) - z * np.sin(turn),
                        np.full(60, height),
                        x * np.sin(turn) + z * np.cos(turn),
                    ],
                    axis=-1,
                )
            )
        sides.append(np.stack(sections))
    return sides[0], sides[1]


def test_sheet_through_sections_keeps_their_curvature_and_faces_away_from_the_other_side() -> None:
    upper, lower = made_up_sections()
    sheet = sheet_through(upper, lower)
    # an arc of 40 mm twisted by 0.01 rad/mm: the second form is [[1/40, 0.01], [0.01, 0]] in its middle
    strongest = 1 / 80 + math.hypot(1 / 80, 0.01)
    found = principal_curvatures(sheet, np.zeros(1), np.zeros(1))[0, 1]
    assert 1 / found == pytest.approx(1 / strongest, rel=1e-3)
    under = sheet_through(lower, upper)
    assert principal_curvatures(under, np.zeros(1), np.zeros(1))[0, 0] < 0


def test_spline_sheet_derivatives_agree_with_differences() -> None:
    sheet = sheet_through(*made_up_sections())
    box, rng, step = sheet.outline, np.random.default_rng(2), 1e-4
    s, t = rng.uniform(box.s_low, box.s_high, 2000), rng.uniform(box.t_low, box.t_high, 2000)
    first, second = sheet.first(s, t), sheet.second(s, t)
    ahead, behind = sheet.first(s + step, t), sheet.first(s - step, t)
    np.testing.assert_allclose(first.s, (ahead.x - behind.x) / (2 * step), atol=1e-7)
    np.testing.assert_allclose(second.ss, (ahead.s - behind.s) / (2 * step), atol=1e-7)
    np.testing.assert_allclose(second.st, (ahead.t - behind.t) / (2 * step), atol=1e-7)
    ahead, behind = sheet.first(s, t + step), sheet.first(s, t - step)
    np.testing.assert_allclose(first.t, (ahead.x - behind.x) / (2 * step), atol=1e-7)
    np.testing.assert_allclose(second.tt, (ahead.t - behind.t) / (2 * step), atol=1e-7)


def test_spline_basis_adds_up_to_one_and_repeats_a_plane() -> None:
    i, j = np.meshgrid(np.arange(12.0), np.arange(10.0), indexing="ij")
    sheet = SplineSheet(np.stack([i - 2, 2 * (j - 2), 0 * i], axis=-1), (0.0, 0.0), (1.0, 1.0))
    s, t = np.random.default_rng(1).uniform(0, 5, (2, 500))
    np.testing.assert_allclose(sheet.first(s, t).x, np.stack([s, 2 * t, 0 * s], axis=-1), atol=1e-12)


def test_published_rotor_lies_within_three_micrometres_of_its_coordinates(shared_data: Path) -> None:
    # NASA Rotor 37, coordinates of Reid and Moore 1978 (NASA TP-1337), table IV
    rows = np.genfromtxt(shared_data / "rotor37.csv", delimiter=",", names=True)
    z, r, one, two = (rows[name].reshape(13, 100) for name in ("z_cm", "r_cm", "theta1_rad", "theta2_rad"))
    sides = section_points_mm(z, r, one), section_points_mm(z, r, two)
    for side, other in (sides, sides[::-1]):
        sheet = sheet_through(side, other, centred=False)
        steps = np.linalg.norm(np.diff(side, axis=1), axis=-1)
        share = np.cumsum(steps, axis=1) / steps.sum(axis=1, keepdims=True)
        inner = np.zeros((13, 100), dtype=bool)
        inner[1:-1, 1:] = (share[1:-1] > 0.07) & (share[1:-1] < 0.93)
        points = side[inner]
        feet = nearest_st(sheet, points, _nearest_of_grid(sheet, points))
        assert np.linalg.norm(points - points_on(sheet, feet), axis=1).max() < 3e-3
        away = points_on(sheet, feet) - other[inner]
        normals = unit_normals(sheet.first(*feet.T.copy()))
        assert np.einsum("ni,ni->n", away, normals).mean() > 0.2


def _nearest_of_grid(sheet: SplineSheet, points: Array) -> Array:
    box = sheet.outline
    s, t = np.meshgrid(np.linspace(box.s_low, box.s_high, 50), np.linspace(box.t_low, box.t_high, 50))
    grid = np.stack([s.ravel(), t.ravel()], axis=-1)
    gaps = np.linalg.norm(points[:, None] - points_on(sheet, grid)[None], axis=-1)
    return np.asarray(grid[gaps.argmin(axis=1)])
