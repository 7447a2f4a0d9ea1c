"""Errors of response and of the shifts come out as published: the phase is the textbook's, nothing else."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from phase.looks import TAKEN, even, simple_head

from fringewise.capture import Capture, FringeFrames, FringeSet, NoiseModel
from fringewise.phase import decode

FINE = NoiseModel(read_dn=0.3, gain_dn_per_electron=0.0, bits=16)
COLUMN = ((np.arange(4000) + 0.5) / 4000).reshape(10, 400)


def phase_error_rad(levels: npt.NDArray[np.float64], shifts: tuple[float, ...]) -> npt.NDArray[np.float64]:
    """Decode frames given as exact 16-bit levels of one single fringe and compare with the true phase."""
    frames = np.round(levels).astype(np.uint16)
    head = simple_head(COLUMN.shape, FINE)
    found = decode(Capture(TAKEN, head, (FringeFrames(FringeSet(1, shifts), frames),)))
    return np.asarray(np.angle(np.exp(2j * np.pi * (found.column - COLUMN))))


@pytest.mark.parametrize(
    ("gamma", "shifts", "greatest_rad", "rms_rad"),
    # check values 1.5 (law of the harmonics of (0.5 + 0.5 cos)^g: Liu et al. 2010, Opt. Lett. 35:1992)
    [
        (1.5, 3, 0.139113, 0.098303),
        (1.5, 4, 0.014189, 0.010048),
        (1.5, 5, 0.003546, 0.002512),
        (1.5, 6, 0.001251, 0.000887),
        (1.5, 8, 0.000263, 0.000187),
        (2.2, 3, 0.290944, 0.205016),
        (2.2, 4, 0.010633, 0.007519),
        (2.2, 5, 0.001296, 0.000917),
        (3.0, 3, 0.411516, 0.288838),
        (3.0, 4, 0.066716, 0.047160),
    ],
)
def test_nonlinear_response_errs_as_published(
    gamma: float, shifts: int, greatest_rad: float, rms_rad: float
) -> None:
    error = phase_error_rad(_bent(gamma, shifts), even(shifts))
    assert np.abs(error).max() == pytest.approx(greatest_rad, rel=0.002, abs=2e-5)
    assert np.sqrt(np.mean(error**2)) == pytest.approx(rms_rad, rel=0.02, abs=1e-5)


@pytest.mark.parametrize(("gamma", "shifts"), [(2.0, 4), (2.0, 5), (2.0, 8), (3.0, 5), (3.0, 6), (3.0, 8)])
def test_harmonics_that_end_leave_no_error(gamma: float, shifts: int) -> None:
    # Whole g: harmonics end at g, and N shifts are blind to all below N − 1 (check values 1.5)
    error = phase_error_rad(_bent(gamma, shifts), even(shifts))
    assert np.abs(error).max() < 5e-5  # rounding to 16 bits, and the arctangent's 2e-6


def test_wrong_steps_of_four_shifts_ripple_as_published() -> None:
    # check values 1.4: relative step error 5 % gives 0.0786 rad from peak to peak (π ε / 2 = 0.0785)
    truly = tuple(1.05 * shift for shift in even(4))
    error = phase_error_rad(_fringes(truly), even(4))
    assert np.ptp(error) == pytest.approx(0.0786, abs=0.0002)


def test_wrong_steps_cost_nothing_when_they_are_stated() -> None:
    truly = tuple(1.05 * shift for shift in even(4))
    assert np.abs(phase_error_rad(_fringes(truly), truly)).max() < 5e-5


def test_five_frames_agree_with_the_schwider_hariharan_formula() -> None:
    # tan φ = 2(I2 − I4)/(2 I3 − I1 − I5) at −π, −π/2, 0, π/2, π (check values 1.4)
    shifts = tuple(math.pi * step for step in (-1, -0.5, 0, 0.5, 1))
    one, two, three, four, five = levels = _fringes(shifts)
    formula = np.arctan2(2 * (two - four), 2 * three - one - five)
    ours = phase_error_rad(levels, shifts) + 2 * np.pi * COLUMN
    assert np.abs(np.angle(np.exp(1j * (ours - formula)))).max() < 5e-5


def _fringes(shifts: tuple[float, ...]) -> npt.NDArray[np.float64]:
    return np.stack([30000 + 25000 * np.cos(2 * np.pi * COLUMN + shift) for shift in shifts])


def _bent(gamma: float, shifts: int) -> npt.NDArray[np.float64]:
    return np.stack([60000 * (0.5 + 0.5 * np.cos(2 * np.pi * COLUMN + s)) ** gamma for s in even(shifts)])
