"""What is said of a capture follows from the capture, its head and its surface."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from small_captures import small_capture

from fringewise.capture import Capture
from fringewise.core.flags import Flag
from fringewise.phase.phase_map import Motion
from fringewise.surface.surface import Surface
from fringewise.workflow.surfaces import check_capture


def flat_surface(valid: float = 1.0, moved: bool = False) -> Surface:
    xyz = np.zeros((10, 10, 3), np.float32)
    xyz[..., 2] = 17.0
    flags = np.zeros((10, 10), np.uint16)
    flags.flat[: round(100 * (1 - valid))] = Flag.DARK
    sigma = np.full((10, 10), 0.012, np.float32)
    return Surface(xyz, sigma, flags, motion=Motion(moved, 0.1, "it was judged"))


def with_head(**changes: object) -> Capture:
    capture = small_capture()
    assert capture.head is not None
    return replace(capture, head=replace(capture.head, **changes))  # type: ignore[arg-type]  # names are checked


def test_a_sound_capture_has_no_faults() -> None:
    found = check_capture(small_capture(), flat_surface(0.75))
    assert found.faults == ()
    assert found.standoff_mm == pytest.approx(17.0)
    assert found.point_sigma_mm == pytest.approx(0.012)
    assert found.valid_fraction == pytest.approx(0.75)
    assert [(flag.share, flag.bars_use) for flag in found.flags] == [(0.25, True)]


def test_what_is_not_known_is_said_and_is_no_fault() -> None:
    found = check_capture(replace(with_head(noise=None, probes=()), probe=None), flat_surface())
    assert found.faults == ()
    for words in ("until when the head's calibration", "the probe", "no covariance", "the camera's noise"):
        assert any(words in line for line in found.not_known), words


def test_known_dates_and_probes_are_not_called_unknown() -> None:
    known = with_head(calibrated_on=date(2026, 1, 1), valid_until=date(2026, 3, 14))
    found = check_capture(known, flat_surface())
    assert found.faults == ()
    assert [line for line in found.not_known if "probe" in line or "valid" in line] == []


@pytest.mark.parametrize(
    ("capture", "surface", "words"),
    [
        (with_head(valid_until=date(2026, 3, 13)), flat_surface(), "ran out on 2026-03-13"),
        (with_head(calibrated_on=date(2026, 3, 15)), flat_surface(), "older than the head's calibration"),
        (with_head(probes=("PB-9",)), flat_surface(), "not calibrated with probe PB-1, only with PB-9"),
        (small_capture(), flat_surface(moved=True), "moved between the frames"),
        (
            small_capture(),
            flat_surface(0.01),
            "only 1.0 % of the photo has a surface to measure on: too dark",
        ),
        (small_capture(), flat_surface(0.0), "only 0.0 % of the photo"),
    ],
)
def test_a_fault_is_said_in_words(capture: Capture, surface: Surface, words: str) -> None:
    (fault,) = check_capture(capture, surface).faults
    assert words in fault
