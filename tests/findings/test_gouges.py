"""Gouges on an analytic ball: a groove along a great circle, and the words where there is none."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from analytic_looks import DentedBall, pixels_of, small_head, surface_of

from fringewise.core.checks import Array
from fringewise.findings.corridor import Corridor, corridor_of
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Look, look_at
from fringewise.findings.registry import measure_finding
from fringewise.sound.turned import fit_turned

SEED = 20261127
NOISE_MM = 0.012
HEAD = small_head()


@dataclass(frozen=True)
class GougedBall(DentedBall):
    """A groove along a great circle, depth (1 − (b/half)²)⁴ across it, fading at its ends; lips beside it."""

    half_length_mm: float = 1.4
    taper_mm: float = 0.6
    lip_mm: float = 0.0

    @property
    def way(self) -> Array:
        first = np.cross(self.middle, [0.2, 1.0, 0.0])
        return np.asarray(first / np.linalg.norm(first))

    def radius_at(self, outward: Array) -> Array:
        second = np.cross(self.middle, self.way)
        across = self.radius_mm * np.arcsin(np.clip(outward @ second, -1, 1))
        along = self.radius_mm * np.arctan2(outward @ self.way, outward @ self.middle)
        share = np.clip((self.half_length_mm - np.abs(along)) / self.taper_mm, 0.0, 1.0)
        lead = share**2 * (3 - 2 * share)
        rest = np.maximum(1 - (across / self.half_width_mm) ** 2, 0.0)
        side = np.maximum(1 - ((np.abs(across) / self.half_width_mm - 1.3) / 0.5) ** 2, 0.0)
        return np.asarray(self.radius_mm + lead * (self.lip_mm * side**3 - self.depth_mm * rest**4))

    def along_it(self, arcs_mm: Array) -> Array:
        turn = np.asarray(arcs_mm) / self.radius_mm
        ways = np.cos(turn)[:, None] * self.middle + np.sin(turn)[:, None] * self.way
        return np.asarray(self.centre + self.radius_mm * ways)


GOUGE = GougedBall(depth_mm=0.15, half_width_mm=0.7)


def look_of(part: GougedBall, noise_mm: float = NOISE_MM, seed: int = SEED) -> Look:
    return look_at(surface_of(part, HEAD, noise_mm, np.random.default_rng(seed)), seed)


def marks_of(part: GougedBall) -> Array:
    return pixels_of(HEAD, part.along_it(np.linspace(-0.8, 0.8, 4) * part.half_length_mm))


def gouge(part: GougedBall, look: Look | None = None, placing_px: float = 0.7, **more: str) -> FindingResult:
    finding = Finding("G1", "gouge", {"path_px": marks_of(part)}, placing_px, **more)  # type: ignore[arg-type]
    return measure_finding(look or look_of(part), finding)


@pytest.mark.parametrize("seed", range(4))
def test_depth_and_length_are_right_within_their_doubt(seed: int) -> None:
    result = gouge(GOUGE, look_of(GOUGE, seed=seed), placing_px=0.01)
    depth, length = result.quantity("depth"), result.quantity("length")
    assert abs(depth.value - GOUGE.depth_mm) <= 3.5 * depth.standard_uncertainty
    assert depth.standard_uncertainty <= 0.012
    # the marks lie on a great circle 1.6 half lengths apart; straight joins seen from 15 mm leave it hardly
    assert length.value == pytest.approx(1.6 * GOUGE.half_length_mm, abs=0.004)


def test_without_noise_a_gouge_is_right_to_two_micrometres() -> None:
    result = gouge(GOUGE, look_of(GOUGE, noise_mm=1e-4))
    assert result.quantity("depth").value == pytest.approx(GOUGE.depth_mm, abs=0.002)


def test_thrown_up_metal_is_measured_where_there_is_any() -> None:
    lipped = replace(GOUGE, lip_mm=0.05)
    result = gouge(lipped, look_of(lipped, noise_mm=0.004))
    raised = result.quantity("raised")
    assert abs(raised.value - 0.05) <= 3.5 * raised.standard_uncertainty
    names = {one.name for one in gouge(GOUGE, look_of(GOUGE, noise_mm=0.004)).quantities}
    assert "raised" not in names or gouge(GOUGE).quantity("raised").value < 0.01


def test_the_corridor_is_as_wide_as_the_gouge() -> None:
    look = look_of(GOUGE)
    two = GOUGE.along_it(np.array([-1.0, 1.0]))
    apart_px = float(np.linalg.norm(np.diff(pixels_of(HEAD, two), axis=0)))
    pixel = float(np.linalg.norm(two[1] - two[0])) / apart_px
    found = corridor_of(look, marks_of(GOUGE))
    assert 0.5 * GOUGE.half_width_mm <= found.half_px * pixel <= 1.6 * GOUGE.half_width_mm


def test_a_sharp_bottom_makes_a_least_depth() -> None:
    result = gouge(GOUGE, sharp_bottom="yes")
    assert result.quantity("depth").bound == "at_least"
    assert result.quantity("length").bound == "both"
    assert (
        "a sharp bottom is narrower than the pixels can follow: the depth is a least depth" in result.warnings
    )
    assert gouge(GOUGE, sharp_bottom="no").quantity("depth").bound == "both"


def test_sound_metal_is_no_gouge() -> None:
    flat = replace(GOUGE, depth_mm=1e-9)
    result = gouge(flat)
    if result.reason:
        assert "no gouge" in result.reason
    else:
        assert result.quantity("depth").value < 0.012
        assert "may be sound metal" in " ".join(result.warnings)


def test_places_in_a_corridor_are_along_and_across() -> None:
    corridor = Corridor(np.array([[10.0, 10.0], [30.0, 10.0], [30.0, 40.0]]), 5.0, 4.0)
    along, across = corridor.places(np.array([12.0, 33.0, 7.0]), np.array([13.0, 25.0, 10.0]))
    assert along.tolist() == [2.0, 35.0, -3.0]
    assert across.tolist() == [3.0, -3.0, 0.0]
    outline = corridor.outline_px()
    assert np.abs(outline[:, 0].min() - 1.0) < 0.5  # 4 px beyond the first mark and 5 px round its end


def test_fields_kept_as_turned_splines_have_the_right_slopes() -> None:
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 3, 50), np.linspace(0, 2, 40)))
    value = 0.3 * x**2 - 0.2 * x * y + 0.1 * y**2
    matrix = np.array([[0.6, 0.4], [-0.8, 1.2]])
    found = fit_turned(x, y, value, np.full(len(x), 1e-4), matrix=matrix, knots=8)
    at = np.array([1.2, 2.0]), np.array([0.7, 1.5])
    expected = {(0, 0): 0.3 * at[0] ** 2 - 0.2 * at[0] * at[1] + 0.1 * at[1] ** 2,
                (1, 0): 0.6 * at[0] - 0.2 * at[1], (0, 1): -0.2 * at[0] + 0.2 * at[1],
                (2, 0): [0.6, 0.6], (1, 1): [-0.2, -0.2], (0, 2): [0.2, 0.2]}  # fmt: skip
    for derivative, true in expected.items():
        assert found.values(*at, derivative) == pytest.approx(np.array(true), abs=0.01)
        assert found.basis(*at, derivative) @ found.coefficients == pytest.approx(np.array(true), abs=0.01)
