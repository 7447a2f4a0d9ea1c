"""Truth of damage at edges against closed forms on flat and cylindrical sheets."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fringewise.virtual.cuts import CornerCut, Hole, TipCut
from fringewise.virtual.edge_sketches import EDGE_MAKERS
from fringewise.virtual.edge_truth import (
    bend_truth,
    blend_truth,
    corner_truth,
    feet_on_edge,
    nick_truth,
    tip_truth,
)
from fringewise.virtual.edges import Edge, EdgeCut, RoundedU, RoundedV, Scallop, Side, Swell
from fringewise.virtual.grooves import EdgeBend
from fringewise.virtual.part import Cut, Part
from fringewise.virtual.reliefs import Box
from fringewise.virtual.scenes import random_blade_scene
from fringewise.virtual.sheets import Cylinder, Plane, TwistedBlade
from fringewise.virtual.sizes import points_on
from fringewise.virtual.truth import Marks, marks_in_camera, truths_of

OUTLINE = Box(-8.0, 8.0, -10.0, 10.0)
LEADING = Edge("leading", OUTLINE)
BLADE = TwistedBlade(-22.0, 0.011, 1e-4, -3e-4, 0.004)
TWO_MARKS = np.array([[-8.0, -3.0], [-8.0, 3.0]])


@settings(max_examples=6, deadline=None)
@given(half=st.floats(0.3, 2.0), share=st.floats(0.2, 1.0), blunt=st.floats(0.1, 0.5))
def test_v_nick_in_a_plane_has_the_closed_forms(half: float, share: float, blunt: float) -> None:
    depth = share * half
    cut = EdgeCut(LEADING, 0.5, half, depth, RoundedV(blunt))
    found = nick_truth(Part("p", Plane(), OUTLINE, cuts=(cut,)), cut, "F1", TWO_MARKS, "V").quantities
    # ∫ √(τ² + r²) dτ over −1 … 1 is √(1 + r²) + r² asinh(1/r)
    far = math.hypot(1.0, blunt)
    under = 2 * far - (far + blunt**2 * math.asinh(1 / blunt))
    assert found["depth"] == pytest.approx(depth, abs=1e-7)
    assert found["length"] == pytest.approx(2 * half, abs=1e-7)
    assert found["lost_area"] == pytest.approx(half * depth * under / (far - blunt), rel=1e-5)
    assert "raised" not in found


def test_u_nick_in_a_plane_has_the_area_of_its_curve() -> None:
    cut = EdgeCut(LEADING, 0.0, 1.0, 0.8, RoundedU())
    found = nick_truth(Part("p", Plane(), OUTLINE, cuts=(cut,)), cut, "F1", TWO_MARKS, "U").quantities
    # ∫ √(1 − τ⁴) dτ over −1 … 1 = Γ(1/4) √π / (4 Γ(7/4)) · … : by the beta function B(1/4, 3/2)/2
    beta = math.gamma(0.25) * math.gamma(1.5) / math.gamma(1.75)
    assert found["lost_area"] == pytest.approx(0.8 * beta / 2, rel=1e-5)


def test_nick_depth_on_a_cylinder_is_the_straight_distance_not_the_arc() -> None:
    cut = EdgeCut(LEADING, 0.0, 1.5, 1.0, RoundedV(0.2))
    found = nick_truth(Part("p", Cylinder(10.0), OUTLINE, cuts=(cut,)), cut, "F1", TWO_MARKS, "V").quantities
    assert found["depth"] == pytest.approx(2 * 10 * math.sin(0.05), abs=1e-7)


def test_metal_is_missing_just_inside_a_cut_and_there_just_outside() -> None:
    hole = Hole((1.0, 2.0), (1.2, 0.8), 0.4, ((0.06, 3, 0.2),))
    scallop = Scallop(6.0, 0.5)
    cuts: list[tuple[Cut, np.ndarray, np.ndarray]] = []
    for bite in (RoundedV(), RoundedU(), scallop):
        half = scallop.half_length_mm if bite is scallop else 1.0
        bitten = EdgeCut(LEADING, 0.0, half, 0.5, bite)
        cuts.append((bitten, bitten.rim_st(101)[5:-5], np.array([-1e-6, 0.0])))
    corner, tip = CornerCut(OUTLINE, 2.0, 1.5, 0.7), TipCut(OUTLINE, 1.0, ((0.3, 1.1, 0.2),))
    cuts.append((corner, corner.rim_st(101)[5:-5], np.array([-1e-6, 1e-6])))
    cuts.append((tip, tip.rim_st(101)[5:-5], np.array([0.0, 1e-6])))
    for cut, rim, towards_lost in cuts:
        part = Part("p", Plane(), OUTLINE, cuts=(cut,))
        assert not part.metal(*(rim + towards_lost).T.copy()).any()
        assert part.metal(*(rim - towards_lost).T.copy()).all()
    part = Part("p", Plane(), OUTLINE, cuts=(hole,))
    assert not part.metal(*hole.rim_st(100, 0.999).T.copy()).any()
    assert part.metal(*hole.rim_st(100, 1.001).T.copy()).all()


@settings(max_examples=6, deadline=None)
@given(depth=st.floats(0.2, 1.0), ratio=st.floats(4.0, 14.0))
def test_blend_in_a_plane_has_the_depth_length_and_radius_asked_for(depth: float, ratio: float) -> None:
    half = depth * ratio / 2
    scallop = Scallop((half**2 + depth**2) / (4 * depth), depth)
    cut = EdgeCut(LEADING, 0.0, scallop.half_length_mm, depth, scallop)
    found = blend_truth(Part("p", Plane(), OUTLINE, cuts=(cut,)), cut, scallop, "F1", TWO_MARKS).quantities
    assert found["depth"] == pytest.approx(depth, abs=1e-7)
    assert found["length"] == pytest.approx(2 * half, abs=1e-6)
    assert found["length_to_depth"] == pytest.approx(ratio, rel=1e-6)
    assert found["radius_least"] == pytest.approx(scallop.radius_mm, rel=1e-9)


def test_bend_without_drawing_back_is_all_out_of_plane() -> None:
    bend = EdgeBend(LEADING, 0.3, 2.5, 1.8, -0.4)
    part = Part("p", BLADE, OUTLINE, reliefs=(bend,))
    found = bend_truth(part, bend, None, "F1", TWO_MARKS).quantities
    assert found["displacement"] == pytest.approx(0.4, abs=1e-7)
    assert found["out_of_plane"] == pytest.approx(0.4, abs=1e-7)
    # (1 − τ²)³ = 0.1 bounds the length: nearly straight edge, so nearly 2 · 2.5 · τ
    assert found["length"] == pytest.approx(5.0 * math.sqrt(1 - 0.1 ** (1 / 3)), rel=0.02)


def test_bend_that_drew_back_has_both_parts() -> None:
    bend = EdgeBend(LEADING, 0.0, 2.0, 2.0, 0.3)
    cut = EdgeCut(LEADING, 0.0, 2.0, 0.1, Swell())
    part = Part("p", Plane(), OUTLINE, reliefs=(bend,), cuts=(cut,))
    found = bend_truth(part, bend, cut, "F1", TWO_MARKS).quantities
    up = 0.3 * (1 - 0.1 / 2.0) ** 3
    assert found["out_of_plane"] == pytest.approx(up, abs=1e-7)
    assert found["displacement"] == pytest.approx(math.hypot(up, 0.1), abs=1e-7)


def test_straight_corner_loss_in_a_plane_is_a_triangle() -> None:
    cut = CornerCut(OUTLINE, 2.0, 1.5, 0.0)
    part = Part("p", Plane(), OUTLINE, cuts=(cut,))
    found = corner_truth(part, cut, "F1", TWO_MARKS, TWO_MARKS).quantities
    assert found["lost_area"] == pytest.approx(1.5, rel=1e-9)
    assert found["loss_first_edge"] == pytest.approx(2.0, abs=1e-9)
    assert found["loss_second_edge"] == pytest.approx(1.5, abs=1e-9)


def test_corner_loss_on_a_blade_agrees_with_counting_its_metal() -> None:
    cut = CornerCut(OUTLINE, 2.0, 1.5, 0.9)
    part = Part("p", BLADE, OUTLINE, cuts=(cut,))
    found = corner_truth(part, cut, "F1", TWO_MARKS, TWO_MARKS).quantities
    cell = 2.0 / 1000
    s, t = (
        a.ravel()
        for a in np.meshgrid(-8 + cell * (np.arange(1000) + 0.5), 10 - cell * (np.arange(1000) + 0.5))
    )
    first = BLADE.first(s, t)
    lost = np.linalg.norm(np.cross(first.s, first.t), axis=1)[~part.metal(s, t)].sum() * cell**2
    assert found["lost_area"] == pytest.approx(lost, rel=1e-3)


def test_even_tip_loss_in_a_plane_is_a_strip() -> None:
    cut = TipCut(OUTLINE, 1.25)
    part = Part("p", Plane(), OUTLINE, cuts=(cut,))
    found = tip_truth(part, cut, "F1", (Marks("tip", "p", TWO_MARKS),)).quantities
    assert found["lost_area"] == pytest.approx(16 * 1.25, rel=1e-9)
    assert found["loss_greatest"] == pytest.approx(1.25, abs=1e-9)


@pytest.mark.parametrize("side", ["leading", "trailing", "tip", "root"])
def test_feet_on_an_edge_are_where_the_arm_is_square_to_it(side: Side) -> None:
    edge = Edge(side, OUTLINE)
    a = np.linspace(-6, 6, 41)
    points = points_on(BLADE, edge.to_st(a, np.full(41, 0.9)))
    feet = feet_on_edge(BLADE, edge, points, a)
    nearest = points_on(BLADE, edge.to_st(feet, np.zeros(41)))
    for step in (-1e-3, 1e-3):
        beside = points_on(BLADE, edge.to_st(feet + step, np.zeros(41)))
        assert np.all(np.linalg.norm(points - beside, axis=1) > np.linalg.norm(points - nearest, axis=1))


@pytest.mark.parametrize("side", ["leading", "trailing", "tip", "root"])
def test_bend_slopes_agree_with_differences(side: Side) -> None:
    bend = EdgeBend(Edge(side, OUTLINE), 0.5, 3.0, 2.0, 0.6)
    part = Part("p", BLADE, OUTLINE, reliefs=(bend,))
    box, rng = bend.box, np.random.default_rng(4)
    s, t = rng.uniform(box.s_low, box.s_high, 3000), rng.uniform(box.t_low, box.t_high, 3000)
    step = 1e-5
    along_s, along_t = part.tangents(s, t)
    np.testing.assert_allclose(
        along_s, (part.point(s + step, t) - part.point(s - step, t)) / (2 * step), atol=1e-6
    )
    np.testing.assert_allclose(
        along_t, (part.point(s, t + step) - part.point(s, t - step)) / (2 * step), atol=1e-6
    )


@pytest.mark.parametrize("kind", EDGE_MAKERS)
def test_marks_beside_edge_damage_lie_on_sound_metal_at_the_edge_and_in_view(kind: str) -> None:
    for seed, standoff_mm in ((1, 10.0), (3, 24.0)):
        scene = random_blade_scene(np.random.default_rng(seed), standoff_mm, [kind])
        truth, part = truths_of(scene)["F1"], scene.patches[0]
        assert isinstance(part, Part)
        assert truth.kind in kind
        for marks in truth.marks:
            s, t = marks.st.T.copy()
            assert part.metal(s, t).all()
            np.testing.assert_array_equal(part.height(s, t), 0.0)
            box = part.outline
            assert np.all((s == box.s_low) | (t == box.t_high))
            points = marks_in_camera(scene, marks)
            u, v = (700 * points[:, n] / points[:, 2] + c for n, c in ((0, 471.3), (1, 365.8)))
            assert np.all((u > 20) & (u < 940) & (v > 20) & (v < 700))
        assert all(value > 0 for value in truth.quantities.values())


def test_edge_damage_is_refused_on_a_rounded_edge() -> None:
    with pytest.raises(ValueError, match="sharp edges only"):
        random_blade_scene(np.random.default_rng(1), 17.0, ["edge_nick"], rounded_edge_mm=0.2)
