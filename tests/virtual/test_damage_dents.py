"""Truth of dents, distances, offsets and areas against closed forms and independent numbers."""

import json
import math
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fringewise.virtual.dents import dent_truth
from fringewise.virtual.part import Part
from fringewise.virtual.patch import Scene
from fringewise.virtual.reliefs import Bell, Box, Cap, Dent, FlatBottom, Profile, RaisedRim, Skewed
from fringewise.virtual.scenes import random_blade_scene
from fringewise.virtual.sheets import Cylinder, Plane, Sheet, Sphere, TwistedBlade, unit_normals
from fringewise.virtual.sizes import enclosed_area, path_length, shortest_length
from fringewise.virtual.sketches import FACE_MAKERS
from fringewise.virtual.standard import standard_head
from fringewise.virtual.targets import area_truth, offset_truth
from fringewise.virtual.truth import marks_in_camera, truths_of
from fringewise.virtual.view import View

BLADE = TwistedBlade(20.0, 0.01, 1e-4, 3e-4, 0.004)
HEAD = standard_head()


def truth_on(sheet: Sheet, dent: Dent) -> Mapping[str, float]:
    marks = dent.ellipse(1.2, np.linspace(0, 5.5, 9))
    return dent_truth(sheet, dent, "F1", "blade", marks).quantities


@settings(max_examples=6, deadline=None)
@given(radius=st.floats(0.5, 2.0), share=st.floats(0.05, 0.3))
def test_cap_pressed_into_a_plane_has_the_closed_forms(radius: float, share: float) -> None:
    depth = share * radius
    ball = (radius**2 + depth**2) / (2 * depth)
    found = truth_on(Plane(), Dent((0.2, 0.1), (radius, radius), 0.5, depth, Cap(share, rim=0.0)))
    contour = math.sqrt(ball**2 - (ball - 0.9 * depth) ** 2)
    assert found["depth"] == pytest.approx(depth, abs=1e-7)
    assert found["length"] == pytest.approx(2 * contour, rel=1e-5)
    assert found["width"] == pytest.approx(2 * contour, rel=1e-5)
    assert found["area"] == pytest.approx(math.pi * contour**2, rel=2e-5)
    assert found["volume"] == pytest.approx(math.pi * depth**2 * (3 * ball - depth) / 3, rel=1e-5)


def test_long_bell_on_a_plane_has_the_closed_forms() -> None:
    dent = Dent((0.0, 0.0), (2.0, 0.8), 0.7, 0.25, Bell(4.0))
    found = truth_on(Plane(), dent)
    contour = math.sqrt(1 - 0.1**0.25)
    assert found["length"] == pytest.approx(4.0 * contour, rel=1e-5)
    assert found["width"] == pytest.approx(1.6 * contour, rel=1e-5)
    assert found["area"] == pytest.approx(math.pi * 1.6 * contour**2, rel=2e-5)
    assert found["volume"] == pytest.approx(0.25 * math.pi * 1.6 / 5, rel=1e-6)


@pytest.mark.parametrize("profile", [Cap(), FlatBottom(), Bell(), RaisedRim(3.0), Skewed()], ids=repr)
@pytest.mark.parametrize("sheet", [Plane(), Sphere(-18.0), BLADE], ids=repr)
def test_depth_is_the_depth_that_was_drawn(sheet: Sheet, profile: Profile) -> None:
    found = truth_on(sheet, Dent((1.0, -2.0), (1.4, 1.1), 0.3, 0.217, profile))
    assert found["depth"] == pytest.approx(0.217, abs=1e-7)


def test_depth_is_the_distance_to_the_nearest_point_of_the_undamaged_sheet() -> None:
    dent = Dent((1.0, -2.0), (1.5, 1.2), 0.3, 0.3, Skewed())
    part = Part("blade", BLADE, Box(-10, 10, -12, 12), reliefs=(dent,))
    s, t = (a.ravel() for a in np.meshgrid(np.linspace(-0.5, 2.5, 61), np.linspace(-3.4, -0.6, 57)))
    points = part.point(s, t)
    sheet = BLADE.first(s, t)
    foot_s, foot_t = s + 0.02, t - 0.03  # a guess off the foot: Newton steps find the nearest point anew
    for _ in range(20):
        foot = BLADE.first(foot_s, foot_t)
        gap = points - foot.x
        along_s, along_t = np.einsum("ni,ni->n", gap, foot.s), np.einsum("ni,ni->n", gap, foot.t)
        e, f, g = (
            np.einsum("ni,ni->n", a, b) for a, b in ((foot.s, foot.s), (foot.s, foot.t), (foot.t, foot.t))
        )
        under = e * g - f * f
        foot_s = foot_s + (g * along_s - f * along_t) / under
        foot_t = foot_t + (e * along_t - f * along_s) / under
    nearest = np.linalg.norm(points - BLADE.first(foot_s, foot_t).x, axis=1)
    np.testing.assert_allclose(nearest, np.abs(part.height(s, t)), atol=1e-9)
    assert np.all(np.einsum("ni,ni->n", points - sheet.x, unit_normals(sheet)) <= 1e-12)


def test_raised_metal_is_as_high_as_the_rim_drawn() -> None:
    profile = RaisedRim(4.0)
    found = truth_on(BLADE, Dent((0.0, 0.0), (1.5, 1.2), 0.0, 0.2, profile))
    q = np.linspace(0.25, 1.0, 200001)  # independent of the closed form: the greatest of (1 − q)³ (4 q − 1)
    assert found["raised"] == pytest.approx(0.2 * np.max((1 - q) ** 3 * (4 * q - 1)), abs=1e-7)
    assert "raised" not in truth_on(BLADE, Dent((0.0, 0.0), (1.5, 1.2), 0.0, 0.2, Bell()))


def test_volume_on_a_blade_agrees_with_a_plain_sum() -> None:
    dent = Dent((1.0, 2.0), (1.4, 0.9), 0.6, 0.3, FlatBottom(0.6))
    s, t = np.meshgrid(np.linspace(-1, 3, 801), np.linspace(0, 4, 801), indexing="ij")
    first = BLADE.first(s.ravel(), t.ravel())
    area = np.linalg.norm(np.cross(first.s, first.t), axis=1) * (4 / 800) ** 2
    plain = -np.sum(area * dent.height(s.ravel(), t.ravel()).h)
    assert truth_on(BLADE, dent)["volume"] == pytest.approx(plain, rel=1e-5)


def test_area_on_a_sphere_is_that_of_the_cap() -> None:
    turn = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    # the circle at 0.3 rad from the pole, in the sheet's longitude and latitude
    x, y, z = np.sin(0.3) * np.cos(turn), np.sin(0.3) * np.sin(turn), np.full(4000, np.cos(0.3))
    boundary = 10.0 * np.stack([np.arctan2(x, z), np.arcsin(y)], axis=-1)
    assert enclosed_area(Sphere(10.0), boundary) == pytest.approx(
        2 * np.pi * 100 * (1 - np.cos(0.3)), rel=1e-5
    )


def test_shortest_line_on_a_sphere_is_the_great_circle() -> None:
    ends = np.array([[0.0, 5.0], [10.0, 5.0]])
    great = 10 * np.arccos(np.sin(0.5) ** 2 + np.cos(0.5) ** 2 * np.cos(1.0))
    assert shortest_length(Sphere(10.0), ends) == pytest.approx(great, abs=1e-7)
    assert path_length(Sphere(10.0), ends) == pytest.approx(10 * np.cos(0.5), abs=1e-7)


def test_shortest_line_on_a_cylinder_is_a_helix() -> None:
    found = shortest_length(Cylinder(-12.0), np.array([[-3.0, 1.0], [4.0, 6.0]]))
    assert found == pytest.approx(math.hypot(7, 5), abs=1e-7)


def test_offset_on_a_plane_is_the_distance_from_the_line() -> None:
    truth = offset_truth(
        Plane(),
        np.array([[0.0, 0.0], [4.0, 3.0]]),
        np.array([[1.0, 7.0]]),
        "F1",
        patch="p",
        drawn_as="Dot",
    )
    assert truth.quantities["offset"] == pytest.approx(5.0, abs=1e-12)


def test_square_seen_at_a_slant_on_a_plane_keeps_its_area() -> None:
    turn = np.array([[1, 0, 0], [0, -math.cos(0.4), -math.sin(0.4)], [0, math.sin(0.4), -math.cos(0.4)]])
    view = View(Plane(), turn, np.array([1.0, 0.5, 17.0]), HEAD)
    corners = np.array([[-2.0, -2.0], [2.0, -2.0], [2.0, 2.0], [-2.0, 2.0]])
    found = area_truth(view, corners, "F1", "p", "Dot").quantities
    assert found["area"] == pytest.approx(16.0, rel=1e-9)
    assert found["perimeter"] == pytest.approx(16.0, rel=1e-9)
    assert found["length"] == pytest.approx(4 * math.sqrt(2), rel=1e-9)


def test_sides_that_look_straight_lie_on_straight_lines_from_the_camera() -> None:
    view = View(BLADE, np.diag([1.0, -1.0, -1.0]), np.array([1.0, 0.0, 15.0]), HEAD)
    for side in view.lines_seen_straight(np.array([[-3.0, -2.0], [3.0, -1.0], [0.0, 4.0]]), 20):
        points = view.in_camera(side)
        plane = np.cross(points[0], points[-1])
        np.testing.assert_allclose(points @ plane / np.linalg.norm(plane), 0.0, atol=1e-10)


@pytest.mark.parametrize("kind", FACE_MAKERS)
@pytest.mark.parametrize("standoff_mm", [10.0, 24.0])
def test_random_damage_lies_in_view_at_its_stand_off(kind: str, standoff_mm: float) -> None:
    scene = random_blade_scene(np.random.default_rng(7), standoff_mm, [kind])
    truth = truths_of(scene)["F1"]
    assert truth.kind in kind
    points = np.concatenate([marks_in_camera(scene, marks) for marks in truth.marks])
    u = 700 * points[:, 0] / points[:, 2] + 471.3
    v = 700 * points[:, 1] / points[:, 2] + 365.8
    assert np.all((u > 30) & (u < 930) & (v > 30) & (v < 690))
    assert abs(np.median(points[:, 2]) - standoff_mm) < 0.3 * standoff_mm


def test_damages_lie_apart_and_each_keeps_its_truth() -> None:
    scene = random_blade_scene(np.random.default_rng(5), 17.0, ["rimmed dent", "flat dent", "distance"])
    blade = scene.patches[0]
    assert isinstance(blade, Part)
    truths = truths_of(scene)
    for name in ("F1", "F2"):
        marks = truths[name].marks_named("outline").st
        np.testing.assert_array_equal(blade.height(marks[:, 0].copy(), marks[:, 1].copy()), 0.0)
    s, t = (a.ravel() for a in np.meshgrid(np.linspace(-15, 15, 1501), np.linspace(-20, 20, 2001)))
    deepest = max(truths[name].quantities["depth"] for name in ("F1", "F2"))
    assert -blade.height(s, t).min() == pytest.approx(deepest, abs=1e-3)


def test_truths_are_plain_values_that_json_holds() -> None:
    scene = random_blade_scene(np.random.default_rng(6), 17.0, ["dent", "area"], backdrop="casing")
    assert json.loads(json.dumps(dict(scene.truths))) == dict(scene.truths)
    assert [patch.name for patch in scene.patches] == ["blade", "casing"]


def test_turning_and_moving_the_part_leaves_straight_sizes_unchanged() -> None:
    scene = random_blade_scene(np.random.default_rng(8), 17.0, ["distance"])
    truth = truths_of(scene)["F1"]
    turned = Scene(scene.patches, np.eye(3), np.array([3.0, -2.0, 40.0]), scene.truths)
    for posed in (scene, turned):
        ends = marks_in_camera(posed, truth.marks_named("ends"))
        assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(truth.quantities["straight"], abs=1e-10)


def test_the_same_seed_draws_the_same_scene() -> None:
    one, two = (random_blade_scene(np.random.default_rng(9), 14.0, ["dent", "distance"]) for _ in range(2))
    assert one.truths == two.truths
    np.testing.assert_array_equal(one.rotation, two.rotation)


def test_unknown_damage_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="unknown damage 'rust'"):
        random_blade_scene(np.random.default_rng(1), 17.0, ["rust"])


def test_too_many_damages_for_the_view_are_refused() -> None:
    with pytest.raises(ValueError, match="no room"):
        random_blade_scene(np.random.default_rng(1), 10.0, ["distance"] * 40)
