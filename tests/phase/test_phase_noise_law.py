"""The stated uncertainty of the phase is what the phase really scatters by."""

from __future__ import annotations

import math

import numpy as np
import pytest
from phase.looks import even, fringe_frames, look_at, simple_head

from fringewise.capture import Capture, FringeSet, NoiseModel
from fringewise.phase import PhaseMap, decode

WHITE = NoiseModel(read_dn=2.0, gain_dn_per_electron=0.0, bits=8)
PHOTONS = NoiseModel(read_dn=0.8, gain_dn_per_electron=0.05, bits=8)
SHAPE = (400, 1000)


def decoded_once(
    shifts: tuple[float, ...], noise: NoiseModel, seed: int, mean: float, modulation: float
) -> tuple[PhaseMap, np.ndarray]:
    rng = np.random.default_rng(seed)
    column = rng.uniform(0.15, 0.85, SHAPE)  # away from the rims, where places before the head matter
    capture = look_at(column, [FringeSet(1, shifts)], rng, mean=mean, modulation=modulation, noise=noise)
    return decode(capture), column


@pytest.mark.parametrize(
    ("shifts", "published_rad"),
    # σ_φ = √(2/N) σ/B, A = 128, B = 50, σ = 2 (check values 1.1; after Surrel 1997, Appl. Opt. 36:271)
    [(3, 0.03266), (4, 0.02828), (5, 0.02530), (8, 0.02000)],
)
def test_phase_scatters_by_the_published_law(shifts: int, published_rad: float) -> None:
    found, column = decoded_once(even(shifts), WHITE, 11, 128, 50)
    error_rad = 2 * np.pi * (found.column - column)
    assert np.sqrt(np.mean(error_rad**2)) == pytest.approx(published_rad, rel=0.006)
    assert 2 * np.pi * np.sqrt(np.mean(found.column_sigma**2)) == pytest.approx(published_rad, rel=0.006)


def test_position_noise_is_the_phase_noise_over_the_fringes() -> None:
    # σ_x = L/(2π) √(2/N) σ/B for a fringe period L (check values 1.2); L in pattern widths is 1/fringes
    rng = np.random.default_rng(12)
    column = rng.uniform(0.05, 0.95, SHAPE)
    plan = [FringeSet(1, even(4)), FringeSet(8, even(4))]
    found = decode(look_at(column, plan, rng, mean=128, modulation=50, noise=WHITE))
    expected = (1 / 8) / (2 * np.pi) * math.sqrt(2 / 4) * 2 / 50
    assert np.std(found.column - column) == pytest.approx(expected, rel=0.006)


@pytest.mark.parametrize(
    "shifts_deg",
    [(0, 120, 240), (0, 90, 180, 270), (0, 50, 130, 250), (10, 75, 200, 260, 300), (0, 100, 170)],
    ids=str,
)
def test_stated_sigma_agrees_with_scatter_at_every_phase(shifts_deg: tuple[float, ...]) -> None:
    shifts = tuple(math.radians(degrees) for degrees in shifts_deg)
    found, column = decoded_once(shifts, PHOTONS, 13, 100, 70)
    normalised = (found.column - column) / found.column_sigma
    assert np.sqrt(np.nanmean(normalised**2)) == pytest.approx(1.0, abs=0.01)
    for part in range(8):
        here = np.floor((column - 0.15) / 0.7 * 8) == part
        assert np.sqrt(np.nanmean(normalised[here] ** 2)) == pytest.approx(1.0, abs=0.025)


def test_three_shifts_scatter_more_at_some_phases_than_at_others() -> None:
    # The frame variance is v + gain · (A + B cos(φ + δ)), and Σ sin²(φ + δ) cos(φ + δ) = −(3/4) cos 3φ for
    # three even shifts, so that the variance of φ goes with 1 − gain · (B/2) cos 3φ / (v + gain · A).
    photons = NoiseModel(read_dn=0.3, gain_dn_per_electron=0.5, bits=8)
    found, column = decoded_once(even(3), photons, 14, 110, 100)
    variance = found.column_sigma**2
    level = photons.variance_dn2(110.0)
    expected = 1 - 0.5 * 0.5 * 100 * np.cos(6 * np.pi * column) / level
    peaks = np.cos(6 * np.pi * column)
    ratio = variance[peaks < -0.95].mean() / variance[peaks > 0.95].mean()
    wanted = expected[peaks < -0.95].mean() / expected[peaks > 0.95].mean()
    assert ratio == pytest.approx(wanted, rel=0.05)


def test_sigma_left_without_rounding_would_be_too_small() -> None:
    quiet = NoiseModel(read_dn=0.5, gain_dn_per_electron=0.0, bits=8)
    found, column = decoded_once(even(5), quiet, 15, 100, 60)
    normalised = (found.column - column) / found.column_sigma
    assert np.sqrt(np.mean(normalised**2)) == pytest.approx(1.0, abs=0.01)


def test_sixteen_bits_scatter_as_stated() -> None:
    noise = NoiseModel(read_dn=12.0, gain_dn_per_electron=0.4, bits=16)
    found, column = decoded_once(even(4), noise, 16, 30000, 20000)
    normalised = (found.column - column) / found.column_sigma
    assert np.sqrt(np.mean(normalised**2)) == pytest.approx(1.0, abs=0.01)


def test_mean_and_modulation_come_back() -> None:
    rng = np.random.default_rng(17)
    column = rng.uniform(0.1, 0.9, (60, 80))
    mean, modulation = rng.uniform(80, 120, (60, 80)), rng.uniform(30, 70, (60, 80))
    fringe_set = FringeSet(1, even(5))
    frames = fringe_frames(column, fringe_set, None, mean=mean, modulation=modulation)
    found = decode(Capture(look_at(column, [fringe_set], None).captured_at, simple_head((60, 80)), (frames,)))
    assert np.abs(found.mean - mean).max() < 0.5
    assert np.abs(found.modulation - modulation).max() < 0.7
