"""Motion between the frames is found and said; stillness is not called motion."""

from __future__ import annotations

import numpy as np
import pytest
from phase.looks import even, look_at, moving_look, random_part

from fringewise.capture import FringeSet
from fringewise.core.flags import Flag
from fringewise.phase import decode
from fringewise.phase.motion import drift_combinations

PLAN = [FringeSet(f, even(4)) for f in (1, 7, 49)]
SMALL = (360, 480)


def drawn(seed: int, moving: bool, plan: list[FringeSet] = PLAN, shape: tuple[int, int] = SMALL) -> object:
    """A look at a random part: textured or not, glossy or not, straight response or gamma 1.05."""
    rng = np.random.default_rng([81, seed, moving])
    texture = (0.0, 0.05, 0.15)[seed % 3] * rng.uniform(0.3, 1.0)
    gloss = (0.0, 1.0)[seed % 2] * rng.uniform(0.2, 1.0)
    way = rng.normal(size=3)
    drift_mm = 0.02 * way / np.linalg.norm(way) * moving
    part = random_part(rng, texture, gloss)
    gamma = (1.0, 1.05)[(seed // 2) % 2]
    return moving_look(part, plan, drift_mm, rng, shape=shape, gamma=gamma)


@pytest.mark.parametrize("seed", range(5))
def test_twenty_micrometres_are_found(seed: int) -> None:
    found = decode(drawn(seed, moving=True))  # type: ignore[arg-type]
    assert found.motion.moved
    assert "moved between the frames" in found.motion.words
    assert "Steady the probe" in found.motion.words
    assert np.all(found.flags & Flag.MOVED)


@pytest.mark.parametrize("seed", range(5))
def test_stillness_is_not_called_motion(seed: int) -> None:
    found = decode(drawn(seed, moving=False))  # type: ignore[arg-type]
    assert not found.motion.moved
    assert found.motion.judged
    assert not np.any(found.flags & Flag.MOVED)


def test_drift_is_measured_in_size_and_sign() -> None:
    # A flat part square to the view comes 20 µm nearer: d(2π f c)/dz = 2π · 49 · 0.72 · 2.6 / z² at x = 0
    rng = np.random.default_rng(82)
    part = random_part(rng, texture=0.0)
    flat = type(part)(17.0, np.zeros(2), np.zeros(2), np.array([30.0, 30.0]), 0.0, part.waves)
    found = decode(moving_look(flat, PLAN, np.array([0.0, 0.0, -0.02]), rng, shape=SMALL))
    expected = 2 * np.pi * 49 * 0.72 * 2.6 / 17.0**2 * -0.02
    assert found.motion.drift_rad == pytest.approx(expected, rel=0.1)


def test_a_jolt_between_two_sets_is_found() -> None:
    column = np.broadcast_to(np.linspace(0.3, 0.6, 480), SMALL)
    rng = np.random.default_rng(83)
    capture = look_at(column, PLAN, rng)
    after = look_at(column + 0.03 / (2 * np.pi * 49), PLAN, rng)
    jolted = type(capture)(capture.captured_at, capture.head, (*capture.sets[:2], after.sets[2]))
    assert decode(jolted).motion.moved


def test_one_set_of_three_shifts_leaves_motion_unjudged_and_says_so() -> None:
    column = np.broadcast_to(np.linspace(0.3, 0.6, 480), SMALL)
    found = decode(look_at(column, [FringeSet(1, even(3))], np.random.default_rng(84)))
    assert not found.motion.judged
    assert not found.motion.moved
    assert "could not be judged" in found.motion.words


def test_residual_of_four_even_shifts_is_the_known_combination() -> None:
    # Σ(−1)^k I_k / B = sin φ (ε2 − ε0) + cos φ (ε1 − ε3) to first order; for even drift 2ε (sin φ − cos φ)
    kept = drift_combinations(FringeSet(1, even(4)))
    alternating = np.array([1.0, -1.0, 1.0, -1.0]) / 2
    np.testing.assert_allclose(kept[:, 0], -alternating, atol=1e-12)
    np.testing.assert_allclose(kept[:, 1], alternating, atol=1e-12)
    assert drift_combinations(FringeSet(1, even(3))).shape == (0, 2)


def test_a_bent_response_with_three_shifts_is_not_called_motion() -> None:
    for seed in range(6):
        rng = np.random.default_rng([85, seed])
        plan = [FringeSet(f, even(3)) for f in ((1, 16), (1, 7, 49))[seed % 2]]
        capture = moving_look(random_part(rng, 0.05), plan, np.zeros(3), rng, shape=SMALL, gamma=1.05)
        assert not decode(capture).motion.moved


@pytest.mark.heavy
def test_motion_is_found_95_times_in_100_and_invented_once_at_most() -> None:
    found = sum(decode(drawn(seed, moving=True)).motion.moved for seed in range(100, 200))  # type: ignore[arg-type]
    invented = sum(decode(drawn(seed, moving=False)).motion.moved for seed in range(100, 200))  # type: ignore[arg-type]
    assert found >= 95
    assert invented <= 1
