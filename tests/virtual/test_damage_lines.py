"""Truth of gouges, cracks, paths, holes and steps."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fringewise.virtual.cuts import Hole
from fringewise.virtual.face_truth import crack_truth, gouge_truth, hole_truth, path_truth, step_truth
from fringewise.virtual.grooves import Groove, Ledge, Upside
from fringewise.virtual.line_sketches import LINE_MAKERS
from fringewise.virtual.part import Part
from fringewise.virtual.reliefs import Box, Relief
from fringewise.virtual.scenes import random_blade_scene
from fringewise.virtual.sheets import Cylinder, Plane, TwistedBlade
from fringewise.virtual.standard import standard_head
from fringewise.virtual.truth import truths_of
from fringewise.virtual.view import View
from fringewise.virtual.wander import Wander

OUTLINE = Box(-8.0, 8.0, -10.0, 10.0)
BLADE = TwistedBlade(20.0, 0.01, 1e-4, 3e-4, 0.004)
FACING = np.diag([1.0, -1.0, -1.0])
LINE = Wander((-2.0, -1.0), 0.4, 4.0, ((0.2, 1.0, 0.3), (0.05, 2.5, 1.0)))
GROOVE = Groove(LINE, 0.4, 0.15, 0.8, 2.5)


@pytest.mark.parametrize(
    "relief", [GROOVE, Upside(GROOVE), Ledge((0.5, 0.2), 0.7, 0.3, 0.2, 0.01)], ids=lambda r: type(r).__name__
)
def test_tangents_over_grooves_and_steps_agree_with_differences(relief: Relief) -> None:
    part = Part("p", BLADE, OUTLINE, reliefs=(relief,))
    rng = np.random.default_rng(3)
    s, t = rng.uniform(-3, 3, 4000), rng.uniform(-3, 3, 4000)
    step = 1e-5
    along_s, along_t = part.tangents(s, t)
    np.testing.assert_allclose(
        along_s, (part.point(s + step, t) - part.point(s - step, t)) / (2 * step), atol=1e-6
    )
    np.testing.assert_allclose(
        along_t, (part.point(s, t + step) - part.point(s, t - step)) / (2 * step), atol=1e-6
    )


def test_gouge_is_as_deep_and_its_lip_as_high_as_drawn() -> None:
    view = View(BLADE, FACING, np.array([1.0, 0.0, 17.0]), standard_head())
    marks = LINE.points(np.linspace(0.3, 3.7, 6))
    found = gouge_truth(view, GROOVE, "F1", "p", marks).quantities
    q = np.linspace(0, 1, 200001)
    assert found["depth"] == pytest.approx(0.15, abs=1e-7)
    assert found["raised"] == pytest.approx(0.15 * np.max((1 - q) ** 3 * (2.5 * q - 1)), abs=1e-7)


def test_path_on_a_plane_has_the_length_of_its_straight_pieces() -> None:
    view = View(Plane(), FACING, np.array([1.0, 0.0, 17.0]), standard_head())
    path = np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 6.0]])
    found = path_truth(view, path, "F1", "p", "line").quantities
    assert found["length"] == pytest.approx(7.0, abs=1e-9)
    assert found["end_to_end"] == pytest.approx(math.hypot(3, 6), abs=1e-12)


def test_path_round_a_cylinder_is_the_arc_of_its_cut() -> None:
    view = View(Cylinder(8.0), FACING, np.array([0.0, 0.0, 17.0]), standard_head())
    found = path_truth(view, np.array([[-3.0, 0.0], [3.0, 0.0]]), "F1", "p", "line").quantities
    assert found["length"] == pytest.approx(6.0, abs=1e-7)  # both marks and the camera lie in the plane y = 0
    assert found["end_to_end"] == pytest.approx(16 * math.sin(3 / 8), abs=1e-9)


def test_crack_on_a_plane_has_the_length_of_its_sine() -> None:
    line = Wander((0.0, 0.0), 0.3, 4.0, ((0.3, 2.0, 0.0),))
    found = crack_truth(Plane(), line, "F1", "p", 5).quantities
    a = (np.arange(200000) + 0.5) * 4.0 / 200000
    rate = 2 * math.pi * 2 / 4
    assert found["length"] == pytest.approx(np.hypot(1, 0.3 * rate * np.cos(rate * a)).mean() * 4, abs=1e-7)
    assert found["end_to_end"] == pytest.approx(4.0, abs=1e-9)


@settings(max_examples=6, deadline=None)
@given(longest=st.floats(0.4, 2.0), slim=st.floats(0.5, 1.0), angle=st.floats(0, 3))
def test_elliptic_hole_in_a_plane_has_the_closed_forms(longest: float, slim: float, angle: float) -> None:
    hole = Hole((0.3, -0.4), (longest, longest * slim), angle)
    found = hole_truth(Plane(), hole, "F1", "p", hole.rim_st(8, 1.3)).quantities
    area = math.pi * longest**2 * slim
    assert found["area"] == pytest.approx(area, rel=1e-5)
    assert found["equivalent_diameter"] == pytest.approx(2 * longest * math.sqrt(slim), rel=1e-5)
    assert found["length"] == pytest.approx(2 * longest, rel=1e-5)
    if slim < 0.95:
        assert found["width"] == pytest.approx(2 * longest * slim, rel=1e-4)


@settings(max_examples=6, deadline=None)
@given(height=st.floats(-1.0, 1.0), angle=st.floats(-3, 3))
def test_step_between_parallel_planes_is_its_height(height: float, angle: float) -> None:
    ledge = Ledge((0.0, 0.0), angle, height)
    corners = np.array([[-0.7, 0.0], [0.0, -0.7], [0.7, 0.0], [0.0, 0.7]])
    way = np.array([math.cos(angle), math.sin(angle)])
    found = step_truth(ledge, "F1", "p", corners - 0.76 * way, corners + 0.76 * way).quantities
    assert found["step"] == pytest.approx(height, abs=1e-9)
    assert found["tilt_deg"] == pytest.approx(0.0, abs=1e-6)


def test_tilted_step_states_its_tilt() -> None:
    ledge = Ledge((0.0, 0.0), 0.0, 0.5, slope=math.tan(math.radians(0.8)))
    corners = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    found = step_truth(
        ledge, "F1", "p", corners - np.array([1.5, 0.0]), corners + np.array([1.5, 0.0])
    ).quantities
    assert found["tilt_deg"] == pytest.approx(0.8, abs=1e-6)


def test_line_that_wanders_too_steeply_is_refused() -> None:
    with pytest.raises(ValueError, match="too steeply"):
        Wander((0.0, 0.0), 0.0, 2.0, ((1.0, 3.0, 0.0),))


@pytest.mark.parametrize("kind", LINE_MAKERS)
def test_random_lines_and_holes_are_drawn_where_their_marks_say(kind: str) -> None:
    scene = random_blade_scene(np.random.default_rng(2), 17.0, [kind], backdrop="casing")
    truth, part = truths_of(scene)["F1"], scene.patches[0]
    assert isinstance(part, Part)
    s, t = truth.marks[0].st.T.copy()
    assert part.metal(s, t).all()
    if kind in ("crack", "path"):
        assert np.all(part.albedo(s, t) < 0.11)
    if kind == "gouge":
        assert np.all(part.height(s, t) < 0)
    if kind == "hole":
        assert not part.metal(np.array([s.mean()]), np.array([t.mean()])).any()
