"""Sheets and damaged sheets: derivatives are exact, curvatures are those asked for."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fringewise.core.checks import Array
from fringewise.virtual.blades import Placed, random_blade
from fringewise.virtual.paint import CheckerCorner, CrackLine, Dot, Soot
from fringewise.virtual.part import Part
from fringewise.virtual.patch import Patch
from fringewise.virtual.reliefs import Bell, Box, Cap, Dent, FlatBottom, Profile, RaisedRim, Skewed
from fringewise.virtual.sheets import (
    Cylinder,
    Plane,
    Sheet,
    Sphere,
    TwistedBlade,
    normal_derivatives,
    principal_curvatures,
    unit_normals,
)
from fringewise.virtual.wander import Wander

STEP_MM = 1e-5
OUTLINE = Box(-10.0, 10.0, -12.0, 12.0)
TURN = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
SHEETS: list[Sheet] = [
    Plane(),
    Sphere(12.0),
    Sphere(-30.0),
    Cylinder(15.0),
    Cylinder(-80.0),
    TwistedBlade(15.0, 0.012, 2e-4, 5e-4, 0.005),
    TwistedBlade(-25.0, -0.01, -1e-4, -3e-4, -0.006),
    Placed(TwistedBlade(40.0, 0.01), TURN, np.array([1.0, 2.0, -3.0])),
]
PROFILES: list[Profile] = [Cap(), FlatBottom(), Bell(), RaisedRim(), Skewed()]


def some_places(count: int = 4000, seed: int = 11, reach: float = 5.0) -> tuple[Array, Array]:
    rng = np.random.default_rng(seed)
    return rng.uniform(-reach, reach, count), rng.uniform(-reach, reach, count)


def central(function: Callable[[Array, Array], Array], s: Array, t: Array) -> tuple[Array, Array]:
    by_s = (function(s + STEP_MM, t) - function(s - STEP_MM, t)) / (2 * STEP_MM)
    by_t = (function(s, t + STEP_MM) - function(s, t - STEP_MM)) / (2 * STEP_MM)
    return by_s, by_t


@pytest.mark.parametrize("sheet", SHEETS, ids=repr)
def test_sheet_derivatives_agree_with_differences(sheet: Sheet) -> None:
    s, t = some_places()
    first, second = sheet.first(s, t), sheet.second(s, t)
    by_s, by_t = central(lambda a, b: sheet.first(a, b).x, s, t)
    np.testing.assert_allclose(first.s, by_s, atol=1e-7)
    np.testing.assert_allclose(first.t, by_t, atol=1e-7)
    ss, st_ = central(lambda a, b: sheet.first(a, b).s, s, t)
    _, tt = central(lambda a, b: sheet.first(a, b).t, s, t)
    np.testing.assert_allclose(second.ss, ss, atol=1e-7)
    np.testing.assert_allclose(second.st, st_, atol=1e-7)
    np.testing.assert_allclose(second.tt, tt, atol=1e-7)


@pytest.mark.parametrize("sheet", SHEETS, ids=repr)
def test_normal_derivatives_agree_with_differences(sheet: Sheet) -> None:
    s, t = some_places()
    normal, normal_s, normal_t = normal_derivatives(sheet.first(s, t), sheet.second(s, t))
    by_s, by_t = central(lambda a, b: unit_normals(sheet.first(a, b)), s, t)
    np.testing.assert_allclose(np.linalg.norm(normal, axis=1), 1.0, atol=1e-14)
    np.testing.assert_allclose(normal_s, by_s, atol=1e-7)
    np.testing.assert_allclose(normal_t, by_t, atol=1e-7)


@pytest.mark.parametrize("profile", PROFILES, ids=repr)
@settings(max_examples=6, deadline=None)
@given(
    depth=st.floats(0.05, 0.8),
    longest=st.floats(0.5, 2.0),
    slim=st.floats(0.5, 1.0),
    angle=st.floats(-math.pi, math.pi),
)
def test_tangents_of_a_dented_blade_agree_with_differences(
    profile: Profile, depth: float, longest: float, slim: float, angle: float
) -> None:
    dent = Dent((0.4, -0.7), (longest, longest * slim), angle, min(depth, 0.3 * longest * slim), profile)
    part = Part("blade", SHEETS[5], OUTLINE, reliefs=(dent,))
    s, t = some_places(reach=2.5)
    by_s, by_t = central(part.point, s, t)
    along_s, along_t = part.tangents(s, t)
    np.testing.assert_allclose(along_s, by_s, atol=1e-6)
    np.testing.assert_allclose(along_t, by_t, atol=1e-6)


def test_two_dents_that_overlap_are_added_exactly() -> None:
    dents = (
        Dent((0.0, 0.0), (1.5, 1.2), 0.3, 0.2, Bell()),
        Dent((0.9, 0.3), (1.0, 1.0), 0.0, 0.1, Skewed()),
    )
    part = Part("blade", SHEETS[6], OUTLINE, reliefs=dents)
    s, t = some_places(reach=2.0)
    together = dents[0].height(s, t).h + dents[1].height(s, t).h
    np.testing.assert_allclose(part.height(s, t), together, atol=1e-15)
    by_s, by_t = central(part.point, s, t)
    along_s, along_t = part.tangents(s, t)
    np.testing.assert_allclose(along_s, by_s, atol=1e-6)
    np.testing.assert_allclose(along_t, by_t, atol=1e-6)


@pytest.mark.parametrize("radius_mm", [15.0, -15.0, 33.3, -80.0])
def test_blade_has_the_radius_across_the_chord_that_was_asked_for(radius_mm: float) -> None:
    blade = TwistedBlade(radius_mm)
    s = np.linspace(-8, 8, 9)
    curvature = principal_curvatures(blade, s, np.zeros(9))
    strongest = curvature[np.arange(9), np.abs(curvature).argmax(axis=1)]
    np.testing.assert_allclose(-1 / strongest, radius_mm, rtol=1e-9)
    np.testing.assert_allclose(np.abs(curvature).min(axis=1), 0.0, atol=1e-12)


@pytest.mark.parametrize("radius_mm", [9.0, -40.0])
def test_sphere_has_its_radius_in_every_direction(radius_mm: float) -> None:
    s, t = some_places(100)
    np.testing.assert_allclose(-1 / principal_curvatures(Sphere(radius_mm), s, t), radius_mm, rtol=1e-6)


def test_random_blades_stay_curved_as_asked_over_the_span() -> None:
    rng = np.random.default_rng(20260314)
    for _ in range(50):
        blade = random_blade(rng)
        assert 15 <= abs(blade.radius_mm) <= 80
        t = np.linspace(-20, 20, 41)
        curvature = np.abs(principal_curvatures(blade, np.zeros(41), t)).max(axis=1)
        assert np.all(curvature < 1.6 / 15)
        assert np.all(curvature > 0.5 / 80)


def test_blade_twist_turns_the_chord_by_the_stated_angle() -> None:
    blade = TwistedBlade(1e6, twist_rad_per_mm=0.01)
    first = blade.first(np.zeros(2), np.array([0.0, 20.0]))
    turned = math.atan2(first.s[1, 2], first.s[1, 0])
    assert turned == pytest.approx(0.2, abs=1e-9)


def test_blade_that_would_flatten_is_refused() -> None:
    with pytest.raises(ValueError, match="flatten"):
        TwistedBlade(50.0, camber_rate_per_mm2=1e-3)


def test_part_is_a_patch_whose_mesh_lies_on_it_and_reaches_beyond_its_outline() -> None:
    dent = Dent((0.0, 0.0), (1.0, 1.0), 0.0, 0.2, Bell())
    part = Part("blade", TwistedBlade(20.0), OUTLINE, reliefs=(dent,))
    assert isinstance(part, Patch)
    mesh = part.mesh()
    s, t = mesh.st.T.copy()
    np.testing.assert_array_equal(mesh.vertices, part.point(s, t))
    assert s.min() < OUTLINE.s_low
    assert t.max() > OUTLINE.t_high
    edges = mesh.vertices[mesh.triangles] - mesh.vertices[np.roll(mesh.triangles, 1, axis=1)]
    assert np.linalg.norm(edges, axis=-1).max() < 0.2


def test_metal_ends_at_the_outline() -> None:
    part = Part("plate", Plane(), OUTLINE)
    s, t = np.array([9.999, 10.001, 0.0, 0.0]), np.array([0.0, 0.0, -11.999, -12.001])
    assert part.metal(s, t).tolist() == [True, False, True, False]


def test_paint_replaces_the_bare_tone_and_nothing_else() -> None:
    line = Wander((3.0, 3.0), 0.4, 2.0, ((0.1, 1.5, 0.3),))
    paints = (Dot((0.0, 0.0), 0.3, 0.06), CheckerCorner((4.0, 0.0), 0.5), Soot((-4.0, 0.0)), CrackLine(line))
    part = Part("plate", Plane(), OUTLINE, paints=paints, tone=0.5)
    on_line = line.points(np.array([1.0]))[0]
    s = np.array([0.0, 0.28, 0.32, 4.2, 4.2, -4.0, 8.0, on_line[0]])
    t = np.array([0.0, 0.0, 0.0, 0.2, -0.2, 0.0, 8.0, on_line[1]])
    tone = part.albedo(s, t)
    np.testing.assert_allclose(tone[[0, 1, 2, 3, 4, 6]], [0.06, 0.06, 0.5, 0.06, 0.5, 0.5], atol=1e-12)
    assert 0.1 < tone[5] < 0.25
    assert tone[7] == pytest.approx(0.03, abs=1e-12)


def test_crack_line_ends_half_its_width_beyond_the_crack() -> None:
    crack = CrackLine(Wander((0.0, 0.0), 0.0, 2.0), width_mm=0.1)
    cover = crack.cover(np.array([-0.06, -0.04, 1.0, 1.0, 2.04, 2.06]), np.array([0, 0, 0.04, 0.06, 0, 0.0]))
    np.testing.assert_allclose(cover.round(), [0, 1, 1, 0, 1, 0])
