"""What a capture's sizes rest on: the head's dates and its verifications before and after the work."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from verdict_equipment import AFTER, BEFORE, TAKEN, verification
from verdict_equipment import HEAD_DATES as HEAD

from fringewise.equipment.documents import VerificationDocument
from fringewise.findings.combine import NO_CALIBRATION
from fringewise.verdict.sizes import Size
from fringewise.verdict.standing import HeadDates, standing, with_stand_in


def test_a_head_in_date_and_verified_before_and_after_the_work_stands() -> None:
    found = standing("HX-07", TAKEN, [HEAD], [AFTER, BEFORE])
    assert found.doubts == ()
    assert found.permissible_error_mm == 0.05


@pytest.mark.parametrize(
    ("serial", "heads", "verifications", "words"),
    [
        ("", [HEAD], [BEFORE, AFTER], "the head is not known"),
        ("HX-07", [], [BEFORE, AFTER], "is not known"),
        ("HX-07", [HeadDates("HX-07")], [BEFORE, AFTER], "until when the calibration"),
        ("HX-07", [HeadDates("HX-07", None, date(2026, 3, 13))], [BEFORE, AFTER], "ran out on 2026-03-13"),
        (
            "HX-07",
            [HeadDates("HX-07", date(2026, 3, 15), date(2027, 1, 1))],
            [BEFORE, AFTER],
            "calibrated on",
        ),
        ("HX-07", [HEAD], [AFTER], "not verified on a block before"),
        ("HX-07", [HEAD], [BEFORE], "not verified on a block after"),
        ("HX-07", [HEAD], [BEFORE, verification("2026-03-14T15:10:00Z", "end of work", "failed")], "suspect"),
        (
            "HX-07",
            [HEAD],
            [verification("2026-03-14T07:55:00Z", "fitted", "failed"), AFTER],
            "before the work",
        ),
        ("HX-07", [HEAD], [verification("2026-03-13T07:55:00Z", "fitted"), AFTER], "before the work"),
        ("HX-07", [HEAD], [BEFORE, verification("2026-03-14T12:00:00Z", "after a knock")], "after the work"),
        ("HX-08", [HeadDates("HX-08", None, date(2027, 1, 1))], [BEFORE, AFTER], "HX-08 was not verified"),
    ],
)
def test_each_doubt_about_the_equipment_is_told(
    serial: str, heads: list[HeadDates], verifications: list[VerificationDocument], words: str
) -> None:
    assert any(words in one for one in standing(serial, TAKEN, heads, verifications).doubts)


def test_a_verification_with_another_calibration_does_not_count() -> None:
    same, other = (replace(HEAD, sha256=letter * 64) for letter in "0f")
    assert standing("HX-07", TAKEN, [same], [BEFORE, AFTER]).doubts == ()
    found = standing("HX-07", TAKEN, [other], [BEFORE, AFTER])
    assert len(found.doubts) == 2
    assert found.permissible_error_mm is None


def test_a_capture_without_a_time_can_not_be_held_against_anything() -> None:
    found = standing("HX-07", None, [HEAD], [BEFORE, AFTER])
    assert len(found.doubts) == 2
    assert found.permissible_error_mm is None


def test_a_failed_verification_of_the_day_stands_in_for_nothing() -> None:
    failed = verification("2026-03-14T15:10:00Z", "end of work", "failed")
    assert standing("HX-07", TAKEN, [HEAD], [BEFORE, failed]).permissible_error_mm is None


def test_the_permissible_error_stands_in_as_a_rectangular_part() -> None:
    size = Size(0.3, 0.01, not_included=("calibration", "marks"))
    made = with_stand_in(size, True, 0.05)
    assert made.standard_uncertainty == pytest.approx((0.01**2 + 0.05**2 / 3) ** 0.5)
    assert made.not_included == ("marks",)
    assert made.shared_uncertainty == pytest.approx(0.05 / 3**0.5)


@pytest.mark.parametrize(
    ("length", "error", "left_out"),
    [(False, 0.05, ("calibration",)), (True, None, ("calibration",)), (True, 0.05, ())],
)
def test_it_stands_in_for_lengths_that_leave_out_the_calibration_only(
    length: bool, error: float | None, left_out: tuple[str, ...]
) -> None:
    size = Size(0.3, 0.01, not_included=left_out)
    assert with_stand_in(size, length, error) == size


def test_the_permissible_error_stands_in_for_a_calibration_left_out_with_its_reason() -> None:
    made = with_stand_in(Size(0.3, 0.01, not_included=(NO_CALIBRATION, "marks")), True, 0.05)
    assert made.standard_uncertainty == pytest.approx((0.01**2 + 0.05**2 / 3) ** 0.5)
    assert made.not_included == ("marks",)


def test_a_lopsided_size_grows_on_both_sides() -> None:
    size = Size(0.3, 0.02, quantiles=((0.05, 0.28), (0.95, 0.36)), not_included=("calibration",))
    made = with_stand_in(size, True, 0.05)
    assert made.quantile(0.95) > 0.36
    assert made.quantile(0.05) < 0.28
