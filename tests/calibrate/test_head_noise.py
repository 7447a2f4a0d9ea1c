"""Noise and ripple that were put in are found again."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from fringewise.calibrate.head_noise import phase_ripple, photon_transfer
from fringewise.capture import Camera, Capture, FringeFrames, FringeSet, Head, Lens, NoiseModel, Projector
from fringewise.core.errors import NotMeasurable
from fringewise.workflow.noise import head_noise

SEED = 20261125
TAKEN = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)
WIDTH, HEIGHT = 320, 240


def head(bits: int = 8) -> Head:
    camera = Camera(WIDTH, HEIGHT, Lens(230.0, 230.0, 160.0, 120.0))
    projector = Projector(Lens(0.72, 1.0, 0.5, 0.0), 1.0, None, np.eye(3), np.array([-2.6, 0.0, 0.0]))
    return Head("N-1", camera, projector, noise=NoiseModel(1.0, 0.01, bits))


def still(
    rng: np.random.Generator, noise: NoiseModel, *, light: float = 1.0, gamma: float = 1.0, shifts: int = 4,
) -> Capture:  # fmt: skip
    """A plane lit unevenly: I = dark + light · (0.5 + 0.5 cos φ)^gamma · 40 … 200 grey levels."""
    v, u = np.mgrid[:HEIGHT, :WIDTH]
    column = 0.1 + 0.8 * u / WIDTH + 0.02 * v / HEIGHT
    bright = light * (40 + 160 * v / HEIGHT) * (1 << noise.bits) / 256
    made = []
    for count in (1.0, 7.0, 49.0):
        turns = tuple(2 * math.pi * n / shifts for n in range(shifts))
        levels = [bright * (0.5 + 0.5 * np.cos(2 * np.pi * count * column + turn)) ** gamma for turn in turns]
        true = np.array(levels) + noise.dark_dn
        # read_dn holds the rounding, which rounding itself adds
        read2 = noise.read_dn**2 - 1 / 12
        sigma = np.sqrt(read2 + noise.gain_dn_per_electron * np.maximum(true - noise.dark_dn, 0))
        frames = np.clip(np.rint(true + sigma * rng.standard_normal(true.shape)), 0, noise.saturation_dn)
        whole = frames.astype(np.uint8) if noise.bits == 8 else frames.astype(np.uint16)
        made.append(FringeFrames(FringeSet(count, turns), whole))
    return Capture(TAKEN, head(noise.bits), tuple(made))


@pytest.mark.parametrize(
    "noise", [NoiseModel(1.23, 0.02, 8), NoiseModel(0.9, 0.05, 8), NoiseModel(6.0, 0.3, 12)]
)
def test_photon_transfer_finds_the_noise_that_was_put_in(noise: NoiseModel) -> None:
    rng = np.random.default_rng(SEED)
    found = photon_transfer([still(rng, noise) for _ in range(3)])
    assert found.noise.read_dn == pytest.approx(noise.read_dn, rel=0.04)
    assert found.noise.gain_dn_per_electron == pytest.approx(noise.gain_dn_per_electron, rel=0.04)
    assert abs(found.noise.read_dn - noise.read_dn) <= 4 * found.read_sigma
    assert found.noise.bits == noise.bits


def test_a_lamp_that_drifts_is_not_taken_for_noise() -> None:
    rng, noise = np.random.default_rng(SEED), NoiseModel(1.23, 0.02, 8)
    found = photon_transfer([still(rng, noise, light=light) for light in (1.0, 0.97, 1.01)])
    assert found.noise.gain_dn_per_electron == pytest.approx(0.02, rel=0.06)


def test_dark_frames_tell_the_dark_level() -> None:
    rng, noise = np.random.default_rng(SEED), NoiseModel(1.5, 0.03, 8, dark_dn=12.0)
    looks = [still(rng, noise) for _ in range(3)]
    found = photon_transfer(looks, dark=[still(rng, noise, light=0.0)])
    assert found.noise.dark_dn == pytest.approx(12.0, abs=0.1)
    assert found.noise.read_dn == pytest.approx(1.5, rel=0.04)
    without = photon_transfer(looks)
    levels = np.array([40.0, 120.0, 200.0])
    assert without.noise.variance_dn2(levels) == pytest.approx(noise.variance_dn2(levels), rel=0.03)


@pytest.mark.parametrize(("shifts", "expected"), [(3, 0.098303), (4, 0.010048), (5, 0.002512)])
def test_ripple_of_a_bent_response_is_the_published_one(shifts: int, expected: float) -> None:
    # RMS phase error of I = (0.5 + 0.5 cos φ)^1.5 by shifts; recomputed by numerical integration from the
    # harmonic ratios of the literature on projector response (Liu et al. 2010)
    rng, noise = np.random.default_rng(SEED), NoiseModel(0.6, 0.002, 12)
    found = phase_ripple([still(rng, noise, gamma=1.5, shifts=shifts) for _ in range(2)], noise)
    assert found is not None
    assert found.rms_rad == pytest.approx(expected, rel=0.1)


def test_a_straight_response_has_hardly_a_ripple() -> None:
    rng, noise = np.random.default_rng(SEED), NoiseModel(1.23, 0.02, 8)
    found = phase_ripple([still(rng, noise) for _ in range(2)], noise)
    assert found is not None
    assert found.rms_rad <= 0.001


def test_a_head_is_filled_and_keeps_the_rest() -> None:
    rng, noise = np.random.default_rng(SEED), NoiseModel(1.23, 0.02, 8)
    made = head_noise([still(rng, noise) for _ in range(2)])
    assert made.head.noise is not None
    assert made.head.serial == "N-1"
    assert made.head.phase_ripple_rad == made.ripple.rms_rad if made.ripple else False


def test_one_capture_alone_is_refused() -> None:
    with pytest.raises(NotMeasurable, match="two or more captures"):
        photon_transfer([still(np.random.default_rng(SEED), NoiseModel(1.23, 0.02, 8))])
