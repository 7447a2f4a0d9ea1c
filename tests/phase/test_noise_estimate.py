"""Noise estimated from the frames is the noise that was put in."""

from __future__ import annotations

import numpy as np
import pytest
from phase.looks import even, look_at, simple_head

from fringewise.capture import FringeSet, NoiseModel
from fringewise.phase import decode
from fringewise.phase.ladder import climb
from fringewise.phase.noise import estimate_noise

SHAPE = (480, 640)
LEVEL = np.linspace(30.0, 125.0, SHAPE[0])[:, None] * np.ones(SHAPE)
COLUMN = np.broadcast_to(np.linspace(0.1, 0.9, SHAPE[1]), SHAPE)


@pytest.mark.parametrize(
    ("shifts", "source"), [(3, "phase scatter"), (4, "frames' residuals"), (7, "frames' residuals")]
)
@pytest.mark.parametrize(
    "true",
    [NoiseModel(1.23, 0.02, 8), NoiseModel(0.5, 0.06, 8), NoiseModel(3.0, 0.0, 8), NoiseModel(20.0, 0.8, 12)],
    ids=str,
)
def test_estimated_noise_is_the_noise_put_in(true: NoiseModel, shifts: int, source: str) -> None:
    scale = 2.0 ** (true.bits - 8)
    plan = [FringeSet(f, even(shifts)) for f in (1, 12)]
    capture = look_at(
        COLUMN,
        plan,
        np.random.default_rng(71),
        mean=LEVEL * scale,
        modulation=0.8 * LEVEL * scale,
        noise=true,
    )
    found, how = estimate_noise(capture.column_sets, climb(plan), true.bits)
    assert how == source
    for level in (40.0 * scale, 110.0 * scale):
        assert np.sqrt(found.variance_dn2(level) / true.variance_dn2(level)) == pytest.approx(1, abs=0.06)


@pytest.mark.parametrize("shifts", [3, 4])
def test_sigma_from_estimated_noise_fits_the_errors(shifts: int) -> None:
    true = NoiseModel(1.23, 0.02, 8)
    head = simple_head(SHAPE, None)
    plan = [FringeSet(f, even(shifts)) for f in (1, 7, 49)]
    found = decode(
        look_at(
            COLUMN, plan, np.random.default_rng(72), mean=LEVEL, modulation=0.8 * LEVEL, noise=true, head=head
        )
    )
    normalised = (found.column - COLUMN) / found.column_sigma
    assert found.noise_source == ("phase scatter" if shifts == 3 else "frames' residuals")
    assert np.sqrt(np.nanmean(normalised**2)) == pytest.approx(1.0, abs=0.06)


def test_a_black_capture_counts_rounding_alone() -> None:
    plan = [FringeSet(1, even(3))]
    capture = look_at(
        np.zeros((40, 50)), plan, None, mean=3.0, modulation=0.0, head=simple_head((40, 50), None)
    )
    found, _ = estimate_noise(capture.column_sets, climb(plan), 8)
    assert found.read_dn**2 == pytest.approx(1 / 12)
    assert found.gain_dn_per_electron == 0.0
