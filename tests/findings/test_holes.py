"""Holes through an analytic ball in a photo drawn by first principles, and the words where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from analytic_looks import DentedBall, pixels_of, small_head, surface_of

from fringewise.core.checks import Array
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Look, look_at
from fringewise.findings.registry import measure_finding
from fringewise.surface.surface import Surface

SEED = 20261128
HEAD = small_head()
BALL = DentedBall(depth_mm=1e-9)
FINE = 7
SIDE = 30


def rim_mm(angle: Array, radius_mm: float, wave: float) -> Array:
    """Arc from the hole's middle to its rim: a circle with three waves."""
    return np.asarray(radius_mm * (1 + wave * np.cos(3 * angle)))


PLAIN = surface_of(BALL, HEAD, 0.012, np.random.default_rng(SEED))


def holed(
    radius_mm: float = 1.0, wave: float = 0.0, behind: float = 4.0, seed: int = SEED, metal: float = 150.0
) -> Surface:
    """The ball with a hole about its middle: 7 × 7 samples a pixel in the photo, which is noisy."""
    middle = pixels_of(HEAD, BALL.on_part(0.0, 0.0))[0].round().astype(int)
    window = np.s_[middle[1] - SIDE : middle[1] + SIDE, middle[0] - SIDE : middle[0] + SIDE]
    gone = _gone(middle, radius_mm, wave).reshape(2 * SIDE, FINE, 2 * SIDE, FINE)
    photo = np.full(PLAIN.shape, metal)
    photo[window] = np.where(gone, behind, metal).mean(axis=(1, 3))
    photo += np.random.default_rng(seed).normal(0, 1.5, photo.shape)
    flags = PLAIN.flags.copy()
    flags[window] |= np.where(gone.any(axis=(1, 3)), 256, 0).astype(np.uint16)
    return replace(PLAIN, photo=np.clip(np.rint(photo), 0, 255).astype(np.uint8), flags=flags)


def _gone(middle: npt.NDArray[np.int_], radius_mm: float, wave: float) -> npt.NDArray[np.bool_]:
    """Which fine samples of a window round a pixel see no metal."""
    v, u = np.mgrid[: 2 * SIDE * FINE, : 2 * SIDE * FINE]
    half = (FINE - 1) / 2
    x, y = HEAD.camera.lens.direction(
        (u - half) / FINE + middle[0] - SIDE, (v - half) / FINE + middle[1] - SIDE
    )
    rays = np.stack([x, y, np.ones_like(x)], axis=-1)
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    nearest = rays @ BALL.centre
    root = nearest**2 - BALL.centre @ BALL.centre + BALL.radius_mm**2
    outward = (nearest - np.sqrt(root))[..., None] * rays - BALL.centre
    outward /= np.linalg.norm(outward, axis=-1, keepdims=True)
    first = np.cross(BALL.middle, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(BALL.middle, first)
    arc = BALL.radius_mm * np.arccos(np.clip(outward @ BALL.middle, -1, 1))
    return np.asarray(arc < rim_mm(np.arctan2(outward @ second, outward @ first), radius_mm, wave))


ROUND = holed()


def hole(surface: Surface = ROUND, radius_mm: float = 1.0, **more: str) -> FindingResult:
    turn = np.linspace(0, 2 * np.pi, 10, endpoint=False)
    outline = pixels_of(HEAD, np.array([BALL.on_part(1.35 * radius_mm, t) for t in turn]))
    look: Look = look_at(surface, SEED)
    return measure_finding(look, Finding("H1", "hole", {"outline_px": outline}, **more))  # type: ignore[arg-type]


def cap_area(radius_mm: float) -> float:
    return float(2 * np.pi * BALL.radius_mm**2 * (1 - np.cos(radius_mm / BALL.radius_mm)))


def test_a_round_hole_has_the_area_of_its_cap() -> None:
    result = hole()
    chord = 2 * BALL.radius_mm * np.sin(1.0 / BALL.radius_mm)
    assert result.quantity("area").value == pytest.approx(cap_area(1.0), rel=0.004)
    diameter = result.quantity("equivalent_diameter").value
    assert diameter == pytest.approx((4 * result.quantity("area").value / np.pi) ** 0.5, rel=1e-3)
    assert result.quantity("length").value == pytest.approx(chord, abs=0.015)
    assert result.quantity("width").value == pytest.approx(chord, abs=0.025)


@pytest.mark.parametrize("seed", range(2))
def test_a_wavy_hole_is_right_within_its_doubt(seed: int) -> None:
    result = hole(holed(wave=0.1, seed=seed))
    angle = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    # area of a region about the pole of a ball: R² ∫ (1 − cos(ρ/R)) dφ
    share = 1 - np.cos(rim_mm(angle, 1.0, 0.1) / BALL.radius_mm)
    true = BALL.radius_mm**2 * float(share.mean()) * 2 * np.pi
    one = result.quantity("area")
    assert abs(one.value - true) <= 3.5 * one.standard_uncertainty
    assert one.standard_uncertainty < 0.006 * true


def test_what_lies_behind_may_be_lit_as_long_as_it_is_darker_or_brighter() -> None:
    for behind, metal in ((60.0, 150.0), (200.0, 110.0)):
        result = hole(holed(behind=behind, metal=metal))
        assert result.quantity("area").value == pytest.approx(cap_area(1.0), rel=0.01)


def test_a_surface_seen_through_the_hole_is_not_its_metal() -> None:
    surface = holed(behind=40.0)
    xyz, flags = surface.xyz_mm.copy(), surface.flags.copy()
    v, u = np.nonzero(flags & 256)
    middle_v, middle_u = v.mean(), u.mean()
    core = np.hypot(v - middle_v, u - middle_u) < 0.7 * np.sqrt(len(v) / np.pi)
    xyz[v[core], u[core]] *= np.float32(1.3)
    flags[v[core], u[core]] = 0
    result = hole(replace(surface, xyz_mm=xyz, flags=flags))
    assert result.quantity("area").value == pytest.approx(cap_area(1.0), rel=0.006)


def test_sound_metal_has_no_hole() -> None:
    photo = np.full(PLAIN.shape, 150, dtype=np.uint8)
    assert "no hole was found" in hole(replace(PLAIN, photo=photo)).reason


def test_a_rim_that_cannot_be_told_is_refused_in_words() -> None:
    assert "as bright as the metal" in hole(holed(behind=148.0)).reason


def test_without_a_photo_it_is_said() -> None:
    assert "this surface has none" in hole(replace(ROUND, photo=None)).reason


def test_part_of_a_hole_out_of_view_makes_a_least_size() -> None:
    assert hole(whole_extent_in_view="no").quantity("area").bound == "at_least"
    assert hole().quantity("area").bound == "both"
