"""Damage at edges on small rendered looks; the sound edge carried across a gap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.findings.bitten import NO_ENDS, TODAYS_EDGE
from fringewise.findings.finding import Finding
from fringewise.findings.kind import Look, look_at
from fringewise.findings.registry import measure_finding
from fringewise.sound.edge import restore_edge
from fringewise.sound.metal import rim_between
from fringewise.sound.outline import trace_outline
from fringewise.sound.pixel_edge import share_inside
from fringewise.virtual import Exposure, render, standard_head, standard_plan
from fringewise.virtual.scenes import Backdrop, random_blade_scene
from fringewise.virtual.truth import truths_of
from fringewise.workflow.marking import marked_findings
from fringewise.workflow.surfaces import make_surface

SEED = 20261127


@pytest.fixture(scope="module", params=["empty", "casing"])
def nicked(request: pytest.FixtureRequest) -> tuple[Look, Finding, dict[str, float]]:
    backdrop: Backdrop = request.param
    rng, head = np.random.default_rng(SEED), standard_head(480, 360)
    scene = random_blade_scene(rng, 12.0, ["U edge_nick"], head=head, backdrop=backdrop)
    made = render(scene, head, standard_plan(), Exposure(), rng, rays_per_pixel=7)
    (finding,) = marked_findings(scene, head, rng)
    return look_at(make_surface(made.capture)), finding, dict(truths_of(scene)["F1"].quantities)


def test_a_nick_is_measured_against_the_edge_carried_across(
    nicked: tuple[Look, Finding, dict[str, float]],
) -> None:
    look, finding, truth = nicked
    result = measure_finding(look, finding)
    names = {one.name for one in result.quantities}
    assert ("length" in names) != (NO_ENDS in result.warnings)  # given, or left out and said so
    for name in ("depth", "lost_area", *(names & {"length"})):
        one = result.quantity(name)
        assert abs(one.value - truth[name]) <= 2 * one.expanded_uncertainty
    assert result.quantity("depth").expanded_uncertainty <= 0.015  # mm; pixels are 0.03 mm here
    assert TODAYS_EDGE in result.warnings
    assert {one.feature for one in result.drawing.drawn} == {"edge"}


def test_a_nick_that_is_not_whole_in_view_is_a_least_size(
    nicked: tuple[Look, Finding, dict[str, float]],
) -> None:
    look, finding, _ = nicked
    result = measure_finding(look, replace(finding, whole_extent_in_view="no"))
    assert {one.bound for one in result.quantities} == {"at_least"}


def test_marks_away_from_any_edge_are_refused(nicked: tuple[Look, Finding, dict[str, float]]) -> None:
    look, finding, _ = nicked
    inward = np.array([60.0, 0.0])
    moved = replace(finding, marks={"edge_px": finding.marks["edge_px"] + inward})
    result = measure_finding(look, moved)
    assert result.status == "not_measured"
    same = replace(finding, marks={"edge_px": np.repeat(finding.marks["edge_px"][:1], 2, axis=0)})
    assert "same place" in measure_finding(look, same).reason


def test_photo_and_fringes_show_the_same_outline(nicked: tuple[Look, Finding, dict[str, float]]) -> None:
    look, finding, _ = nicked
    rim = rim_between(look.surface, finding.marks["edge_px"], 60.0)
    photo = trace_outline(look.surface, rim, sources=("photo",))
    fringes = trace_outline(look.surface, rim, sources=("fringes",))
    at = photo.line_px[photo.damage]
    away = np.linalg.norm(at[:, None] - fringes.line_px[None], axis=2).min(axis=1)
    assert np.median(away) <= 0.6  # to the next point, which lie a pixel apart
    with pytest.raises(NotMeasurable):
        trace_outline(look.surface, rim, sources=())


def test_metal_is_found_only_where_marks_are_on_it(nicked: tuple[Look, Finding, dict[str, float]]) -> None:
    look, _, _ = nicked
    with pytest.raises((MarksAtFault, NotMeasurable)):
        rim_between(look.surface, np.array([[2.0, 2.0], [2.0, 40.0]]), 20.0)


@given(
    bend=st.floats(-0.02, 0.02), twist=st.floats(-0.005, 0.005), gap=st.floats(0.1, 0.6),
    turn=st.floats(0, 2 * np.pi),
)  # fmt: skip
def test_an_edge_is_carried_across_as_it_was(bend: float, twist: float, gap: float, turn: float) -> None:
    t = np.linspace(-1, 1, 201)
    along = np.array([np.cos(turn), np.sin(turn)])
    aside = np.array([-along[1], along[0]])
    line = t[:, None] * along + (bend * t**2 + twist * t**3)[:, None] * aside
    sound = np.abs(t) > gap / 2
    marks = np.array([np.interp([-gap / 2, gap / 2], t, line[:, k]) for k in (0, 1)]).T
    curve = restore_edge(line[sound], marks, np.full(int(sound.sum()), 1e-5), gap=gap)
    coordinate, offset = curve.coordinates(line)
    assert np.abs(curve.aside_at(coordinate) - offset).max() <= 2e-4


def test_a_nick_in_the_sound_edge_does_not_pull_it() -> None:
    rng = np.random.default_rng(SEED)
    t = np.linspace(-1, 1, 301)
    n = 0.01 * t**2 + rng.normal(0, 1e-5, len(t))
    n[(t > 0.7) & (t < 0.75)] += 0.003
    sound = np.abs(t) > 0.2
    line = np.column_stack([t, n])
    marks = np.array([[-0.2, 0.0004], [0.2, 0.0004]])
    curve = restore_edge(line[sound], marks, np.full(int(sound.sum()), 1e-5), gap=0.4)
    assert abs(curve.directions(np.array([0.0]))[0, 1]) <= 5e-5


@given(depth=st.floats(-1.5, 1.5), turn=st.floats(0, 2 * np.pi), blur=st.floats(0.0, 1.0))
def test_a_pixels_share_of_metal_is_that_of_a_blurred_square(depth: float, turn: float, blur: float) -> None:
    # common practice: a pixel gathers light by area; checked against a fine sum over the square
    normal = np.array([[np.cos(turn), np.sin(turn)]])
    share, slope = share_inside(np.array([depth]), normal, blur)
    at = (np.arange(200) + 0.5) / 200 - 0.5
    u, v = np.meshgrid(at, at)
    inside = depth + u * normal[0, 0] + v * normal[0, 1]
    from scipy.special import ndtr

    expected = float(ndtr(inside / max(blur, 0.06)).mean())
    assert abs(float(share[0]) - expected) <= 0.01
    assert float(slope[0]) >= -1e-9
