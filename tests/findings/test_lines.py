"""Paths and cracks on a ball whose photo is drawn by first principles, and the words where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic_looks import DentedBall, pixels_of, small_head, surface_of

from fringewise.core.checks import Array
from fringewise.findings.crack import VISIBLE_ONLY
from fringewise.findings.dark_line import follow_dark_line
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Look, look_at
from fringewise.findings.ragged import smooth_ragged
from fringewise.findings.registry import measure_finding

SEED = 20261126
HEAD = small_head()
BALL = DentedBall(depth_mm=1e-9)
HALF_MM = 1.6
WAVE_MM = 0.12
WIDTH_MM = 0.1


def crack_points(count: int = 1601, half_mm: float = HALF_MM) -> Array:
    """A wave about a great circle: at the arc a from the ball's middle, turned by WAVE sin(4 a) across it."""
    first = np.cross(BALL.middle, [0.3, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(BALL.middle, first)
    a = np.linspace(-half_mm, half_mm, count) / BALL.radius_mm
    b = WAVE_MM * np.sin(4 * a * BALL.radius_mm) / BALL.radius_mm
    along = np.cos(a)[:, None] * BALL.middle + np.sin(a)[:, None] * first
    way = np.cos(b)[:, None] * along + np.sin(b)[:, None] * second
    return np.asarray(BALL.centre + BALL.radius_mm * way)


def crack_length() -> float:
    """Of the wave on the ball: √(cos² b + b'²) integrated over a."""
    a = np.linspace(-HALF_MM, HALF_MM, 20001)
    b, slope = WAVE_MM * np.sin(4 * a), 4 * WAVE_MM * np.cos(4 * a)
    return float(np.trapezoid(np.sqrt(np.cos(b / BALL.radius_mm) ** 2 + slope**2), a))


def cracked_look(seed: int = SEED, noise: float = 1.5, darkness: float = 0.9) -> Look:
    """The ball with the wave drawn dark, 5 × 5 samples a pixel, and noise in the photo."""
    surface = surface_of(BALL, HEAD, 0.012, np.random.default_rng(seed))
    height, width = surface.shape
    fine = np.full((height * 5, width * 5), 150.0)
    line_px = pixels_of(HEAD, crack_points(6001))
    v, u = np.mgrid[: height * 5, : width * 5]
    u, v = (u - 2) / 5, (v - 2) / 5
    low, high = line_px.min(axis=0) - 5, line_px.max(axis=0) + 5
    near = (u > low[0]) & (u < high[0]) & (v > low[1]) & (v < high[1])
    x, y = HEAD.camera.lens.direction(u[near], v[near])
    rays = np.stack([x, y, np.ones_like(x)], axis=-1)
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    middle = rays @ BALL.centre
    along = middle - np.sqrt(middle**2 - BALL.centre @ BALL.centre + BALL.radius_mm**2)
    points, wave = along[:, None] * rays, crack_points(801)
    away = np.array([np.linalg.norm(wave - part, axis=-1).min(axis=-1) for part in points[:, None]])
    fine[near] -= 150.0 * darkness * (away < WIDTH_MM / 2)
    photo = fine.reshape(height, 5, width, 5).mean(axis=(1, 3))
    photo += np.random.default_rng(seed).normal(0.0, noise, photo.shape)
    dark = photo < 60
    flags = np.where(dark, surface.flags | 2, surface.flags).astype(np.uint16)
    kept = replace(surface, photo=np.clip(np.rint(photo), 0, 255).astype(np.uint8), flags=flags)
    return look_at(kept, seed)


LOOK = cracked_look()


def crack(marks: Array, look: Look = LOOK, placing_px: float = 0.0, **more: str) -> FindingResult:
    finding = Finding("C1", "crack", {"path_px": marks}, placing_px, **more)  # type: ignore[arg-type]
    return measure_finding(look, finding)


def true_marks(count: int = 4) -> Array:
    return pixels_of(HEAD, crack_points(count))


def test_a_wandering_crack_is_as_long_as_its_line() -> None:
    result = crack(true_marks())
    ends = crack_points(2)
    assert result.quantity("length").value == pytest.approx(crack_length(), rel=0.003)
    assert result.quantity("end_to_end").value == pytest.approx(np.linalg.norm(ends[1] - ends[0]), rel=0.002)


def test_marks_off_the_line_are_moved_across_it_and_only_across() -> None:
    marks = true_marks()
    way = marks[-1] - marks[0]
    across = np.array([-way[1], way[0]]) / np.linalg.norm(way)
    moved = marks + np.array([[1.5], [-1.0], [1.0], [-1.5]]) * across
    result = crack(moved)
    assert result.quantity("length").value == pytest.approx(crack_length(), rel=0.015)
    shifts = np.array([np.subtract(one.used_px, one.placed_px) for one in result.drawing.drawn])
    assert len(shifts) == 4
    assert np.abs(shifts @ (way / np.linalg.norm(way))).max() < 0.9  # the line itself leans by up to 26°
    assert np.abs(shifts @ across).min() > 0.5
    assert "moved across the dark line onto it, by up to 1." in " ".join(result.warnings)


def test_a_mark_short_of_the_end_shortens_by_as_much() -> None:
    whole = crack(pixels_of(HEAD, crack_points(1601)[[0, 500, 1100, 1600]]))
    short = crack(pixels_of(HEAD, crack_points(1601)[[0, 500, 1100, 1500]]))
    a = np.linspace(HALF_MM - 0.2, HALF_MM, 2001)
    missing = np.trapezoid(np.hypot(1, 4 * WAVE_MM * np.cos(4 * a)), a)
    lost = whole.quantity("length").value - short.quantity("length").value
    assert lost == pytest.approx(missing, abs=0.004)


def test_placing_acts_along_the_line_at_both_ends() -> None:
    one = crack(true_marks(), placing_px=0.7).quantity("length")
    ends = crack_points(1601)[[0, 1, -2, -1]]
    px = pixels_of(HEAD, ends)
    first, last = (
        float(np.linalg.norm(ends[k + 1] - ends[k]) / np.linalg.norm(px[k + 1] - px[k])) for k in (0, 2)
    )
    assert one.part("marks") == pytest.approx(0.7 * np.hypot(first, last), rel=0.05)


def test_placed_marks_scatter_as_the_doubt_says() -> None:
    rng = np.random.default_rng(SEED)
    draws = [
        crack(true_marks() + rng.normal(0, 0.7, (4, 2)), placing_px=0.7).quantity("length") for _ in range(40)
    ]
    errors = np.array([(one.value - crack_length()) / one.standard_uncertainty for one in draws])
    # 99 % band of the root mean square of 40 normal values: 0.72 to 1.29 (chi square)
    assert 0.72 <= np.sqrt(np.mean(errors**2)) <= 1.29


@pytest.mark.parametrize("seed", range(3))
def test_noise_in_the_photo_does_not_lengthen_the_line(seed: int) -> None:
    noisy = crack(true_marks(), cracked_look(seed, noise=8.0, darkness=0.6)).quantity("length")
    assert noisy.value == pytest.approx(crack_length(), rel=0.006)


def test_a_crack_is_a_least_length_unless_its_ends_are_said_to_be_seen() -> None:
    assert crack(true_marks()).quantity("length").bound == "at_least"
    assert crack(true_marks(), whole_extent_in_view="yes").quantity("length").bound == "both"
    over = crack(true_marks(), whole_extent_in_view="yes", reaches_edge="yes")
    assert over.quantity("length").bound == "at_least"
    assert VISIBLE_ONLY in over.warnings
    assert any("beyond what can be seen" in part for part in over.quantity("length").not_included)


def test_the_width_of_the_dark_line_is_said() -> None:
    said = next(one for one in crack(true_marks()).warnings if "wide" in one)
    assert float(said.split("about ")[1].split(" mm")[0]) == pytest.approx(WIDTH_MM, abs=0.021)


def test_marks_stay_where_they_are_when_drawing_is_switched_off() -> None:
    finding = Finding("C1", "crack", {"path_px": true_marks()}, 0.0, draws_marks=False)
    result = measure_finding(LOOK, finding)
    assert result.drawing.drawn == ()
    assert "no dark line" not in " ".join(result.warnings)
    # four marks joined straight cut the wave's corners
    assert result.quantity("length").value < 0.99 * crack_length()


def test_without_a_dark_line_the_marks_are_followed_and_it_is_said() -> None:
    plain = look_at(replace(LOOK.surface, photo=np.full(LOOK.surface.shape, 150, dtype=np.uint8)))
    result = crack(true_marks(), plain)
    assert "no dark line was found" in " ".join(result.warnings)
    assert result.drawing.drawn == ()


def test_a_dark_line_far_from_the_marks_is_not_theirs() -> None:
    assert follow_dark_line(LOOK.photo, true_marks() + 25.0) is None  # type: ignore[arg-type]


def test_a_path_follows_the_straight_joins_of_its_marks() -> None:
    look = look_at(surface_of(BALL, HEAD, 0.012, np.random.default_rng(SEED)))
    marks = np.array([[70.0, 60.0], [150.0, 170.0], [260.0, 120.0]])
    x, y = HEAD.camera.lens.direction(marks[:, 0], marks[:, 1])
    share = np.linspace(0, 1, 2001)[:, None]
    corners = np.column_stack([x, y])
    joins = np.vstack([corners[n] + share * (corners[n + 1] - corners[n]) for n in (0, 1)])
    rays = np.column_stack([joins, np.ones(len(joins))])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    middle = rays @ BALL.centre
    along = middle - np.sqrt(middle**2 - BALL.centre @ BALL.centre + BALL.radius_mm**2)
    true = float(np.linalg.norm(np.diff(along[:, None] * rays, axis=0), axis=1).sum())
    result = measure_finding(look, Finding("P1", "path", {"path_px": marks}, 0.0))
    one = result.quantity("length")
    assert abs(one.value - true) <= 3.5 * one.standard_uncertainty
    assert one.standard_uncertainty < 0.002
    assert one.bound == "at_least"
    tip = along[[0, -1], None] * rays[[0, -1]]
    assert result.quantity("end_to_end").value == pytest.approx(np.linalg.norm(tip[1] - tip[0]), abs=0.004)


@pytest.mark.parametrize("kind", ["path", "crack"])
def test_marks_on_one_place_make_no_line(kind: str) -> None:
    result = measure_finding(
        LOOK, Finding("P1", kind, {"path_px": np.array([[150.0, 120.0], [150.5, 120.0]])})
    )
    assert result.marks_at_fault
    assert "same place" in result.reason


def test_a_line_across_a_blind_stretch_is_refused_in_words() -> None:
    surface = LOOK.surface
    flags = surface.flags.copy()
    flags[:, 130:175] |= 1
    marks = np.array([[80.0, 120.0], [240.0, 120.0]])
    result = measure_finding(
        look_at(replace(surface, flags=flags)), Finding("P1", "path", {"path_px": marks})
    )
    assert "part of the surface along the line was not seen" in result.reason


def test_a_smooth_line_through_scatter_leaves_gross_values_out() -> None:
    at = np.arange(100.0)
    values = np.cos(at / 12) + np.random.default_rng(SEED).normal(0, 0.05, 100)
    values[[20, 60]] += 3.0
    line = smooth_ragged(at, values, np.full(100, 0.05), 4.0)
    assert np.abs(line.values(at) - np.cos(at / 12)).max() < 0.12
    assert line.misfit == pytest.approx(1.0, abs=0.25)
