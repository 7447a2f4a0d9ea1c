"""Sizes on surfaces made by first principles, and the words where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analytic_looks import DentedBall, pixels_of, small_head, surface_of

from fringewise.core.checks import Array
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Look, look_at
from fringewise.findings.registry import measure_finding
from fringewise.surface.surface import Surface

SEED = 20261125
NOISE_MM = 0.012
HEAD = small_head()


def seen(part: DentedBall, noise_mm: float = NOISE_MM, seed: int = SEED) -> Surface:
    return surface_of(part, HEAD, noise_mm, np.random.default_rng(seed))


def outline(part: DentedBall, share: float = 1.15, corners: int = 10) -> Array:
    turn = np.arange(corners) * 2 * np.pi / corners
    return pixels_of(HEAD, np.array([part.on_part(share * part.half_width_mm, t) for t in turn]))


def dent(part: DentedBall, look: Look | None = None, **more: str) -> FindingResult:
    finding = Finding("F1", "dent", {"outline_px": outline(part)}, **more)  # type: ignore[arg-type]
    return measure_finding(look or look_at(seen(part)), finding)


def bell_area(part: DentedBall) -> float:
    """Area inside the 10 % contour: (1 − q²)⁴ = 0.1 at the arc q · half, a cap of the ball."""
    arc = part.half_width_mm * np.sqrt(1 - 0.1**0.25)
    return float(2 * np.pi * part.radius_mm**2 * (1 - np.cos(arc / part.radius_mm)))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("part", [DentedBall(), DentedBall(12.0, 18.0, 0.1, 0.9, -0.3)])
def test_dent_sizes_are_right_within_their_doubt(part: DentedBall, seed: int) -> None:
    result = dent(part, look_at(seen(part, seed=seed)))
    contour = 2 * part.half_width_mm * np.sqrt(1 - 0.1**0.25)
    true = {"depth": part.depth_mm, "length": contour, "width": contour, "area": bell_area(part)}
    for name, value in true.items():
        one = result.quantity(name)
        assert abs(one.value - value) <= 3.5 * one.standard_uncertainty, name
    # ∫ depth (1 − q²)⁴ over the plane is π half² depth / 5; on this ball right to 0.2 %
    volume = np.pi * part.half_width_mm**2 * part.depth_mm / 5
    assert result.quantity("volume").value == pytest.approx(volume, rel=0.05)
    assert result.quantity("depth").standard_uncertainty <= 0.012


def test_without_noise_a_dent_is_right_to_a_micrometre() -> None:
    part = DentedBall()
    result = dent(part, look_at(seen(part, noise_mm=1e-4)))
    assert result.quantity("depth").value == pytest.approx(part.depth_mm, abs=0.001)


def test_squares_of_the_budget_add_up() -> None:
    for one in dent(DentedBall()).quantities:
        total = sum(line.standard_uncertainty**2 for line in one.budget)
        assert total == pytest.approx(one.standard_uncertainty**2)
        assert one.not_included == ("calibration: the head gives no covariance",)


def test_numbers_repeat_with_the_seed() -> None:
    surface, part = seen(DentedBall()), DentedBall()
    first, second = (dent(part, look_at(surface, 7)) for _ in range(2))
    assert [q.value for q in first.quantities] == [q.value for q in second.quantities]
    assert [q.standard_uncertainty for q in first.quantities] == [
        q.standard_uncertainty for q in second.quantities
    ]


def test_a_dent_partly_out_of_view_is_at_least() -> None:
    result = dent(DentedBall(), whole_extent_in_view="no")
    assert all(one.bound == "at_least" for one in result.quantities)
    assert result.quantities[0].in_words().startswith("at least ")


def test_straight_distances_are_chords_and_paths_are_great_circles() -> None:
    part = DentedBall(depth_mm=1e-9)
    ends = np.array([part.on_part(1.5, 0.4), part.on_part(1.5, 0.4 + np.pi)])
    finding = Finding("L1", "distance", {"ends_px": pixels_of(HEAD, ends)}, placing_px=0.0)
    result = measure_finding(look_at(seen(part)), finding)
    straight, along = result.quantity("straight"), result.quantity("along_surface")
    assert abs(straight.value - np.linalg.norm(ends[1] - ends[0])) <= 3.5 * straight.standard_uncertainty
    assert abs(along.value - 3.0) <= 3.5 * along.standard_uncertainty
    # an arc of 3 mm on a ball of 25 mm is longer than its chord by s³/(24 R²) = 1.8 µm
    assert along.value - straight.value == pytest.approx(3.0**3 / (24 * 25.0**2), abs=0.001)


def test_offset_is_the_height_of_the_triangle() -> None:
    part = DentedBall(depth_mm=1e-9)
    corners = np.array([part.on_part(1.5, t) for t in (0.0, 2.2, 4.4)])
    marks = pixels_of(HEAD, corners)
    finding = Finding("O1", "offset", {"line_px": marks[:2], "point_px": marks[2:]}, placing_px=0.0)
    one = measure_finding(look_at(seen(part)), finding).quantity("offset")
    first, second, third = corners
    base = second - first
    true = float(np.linalg.norm(np.cross(third - first, base)) / np.linalg.norm(base))
    assert abs(one.value - true) <= 3.5 * one.standard_uncertainty


def test_area_of_a_fine_outline_is_that_of_the_cap() -> None:
    part = DentedBall(depth_mm=1e-9)
    marks = pixels_of(
        HEAD, np.array([part.on_part(1.5, t) for t in np.linspace(0, 2 * np.pi, 48, endpoint=False)])
    )
    finding = Finding("A1", "area", {"outline_px": marks}, placing_px=0.0)
    result = measure_finding(look_at(seen(part)), finding)
    cap = 2 * np.pi * part.radius_mm**2 * (1 - np.cos(1.5 / part.radius_mm))
    # 48 straight sides cut off 1 − sin(2π/48)/(2π/48) = 0.29 % of a circle
    assert result.quantity("area").value == pytest.approx(cap * 0.9971, rel=0.002)
    assert result.quantity("length").value == pytest.approx(
        2 * part.radius_mm * np.sin(1.5 / part.radius_mm), rel=0.002
    )


def test_marks_off_the_metal_are_counted_in_words() -> None:
    part = DentedBall()
    surface = seen(part)
    flags = surface.flags.copy()
    flags[:, :165] |= 2
    half = replace(surface, flags=flags)
    result = dent(part, look_at(half))
    assert result.marks_at_fault
    assert "marks lie on pixels without a surface" in result.reason


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        ([[140.0, 100.0], [180.0, 140.0], [180.0, 100.0], [140.0, 140.0]], "crosses itself"),
        ([[100.2, 100.2], [100.4, 100.2], [100.3, 100.4]], "move nearer"),
        ([[100.0, 100.0], [104.0, 100.0], [102.0, 104.0]], "move nearer"),
    ],
)
def test_outlines_that_carry_no_number_are_refused_in_words(marks: list[list[float]], words: str) -> None:
    finding = Finding("F1", "dent", {"outline_px": np.array(marks)})
    result = measure_finding(look_at(seen(DentedBall())), finding)
    assert result.status == "not_measured"
    assert words in result.reason


def test_a_dent_too_little_of_which_was_seen_is_not_measured() -> None:
    part = DentedBall()
    surface = seen(part)
    middle = outline(part).mean(axis=0)
    v, u = np.mgrid[: surface.shape[0], : surface.shape[1]]
    blind = (np.abs(u - middle[0]) < 30) & (v < middle[1] + 6) & (v > middle[1] - 12)
    half = replace(surface, flags=np.where(blind, surface.flags | 1, surface.flags).astype(np.uint16))
    result = dent(part, look_at(half))
    assert "has a surface that can be trusted" in result.reason


@pytest.mark.parametrize("seed", range(3))
def test_sound_metal_is_said_to_be_perhaps_sound_and_gets_no_rim(seed: int) -> None:
    part = DentedBall(depth_mm=1e-9, half_width_mm=1.0)
    result = dent(part, look_at(seen(part, seed=seed)))
    if result.reason:
        assert "no dent" in result.reason
        return
    assert result.quantity("depth").value <= 0.005
    assert "this may be sound metal" in " ".join(result.warnings)
    assert {one.name for one in result.quantities} <= {"depth", "volume", "raised"}


def test_an_unknown_kind_says_so() -> None:
    result = measure_finding(look_at(seen(DentedBall())), Finding("C1", "wrinkle", {}))
    assert result.reason == "this version does not measure the kind 'wrinkle' yet"
