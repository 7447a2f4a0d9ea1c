"""Each way to go wrong with head, probe, block, marks or clock gives a clear refusal or warning."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from block_looks import BLOCK, block
from verifications import NOW, SHA, verification

from fringewise.capture import Capture, Head
from fringewise.core.documents import moment_of
from fringewise.core.errors import InputRefused
from fringewise.core.measured import Contribution, Measured
from fringewise.equipment.validity import Used, block_stands_against, stands_against, touched_by
from fringewise.equipment.verification import BlockReading, read_block
from fringewise.findings.finding import Finding, FindingResult
from fringewise.virtual import standard_head
from fringewise.workflow.verify import Circumstances, verify


def head(**changes: Any) -> Head:
    made = replace(
        standard_head(48, 36),
        serial="HX-07",
        probes=("PB-114",),
        calibrated_on=date(2025, 9, 1),
        valid_until=date(2026, 9, 1),
    )
    return replace(made, **changes)


def said(one: Head, now: datetime = NOW, **asked: Any) -> str:
    return "\n".join(stands_against(one, now, **{"probe": "PB-114", **asked}))


def reading(
    length_mm: float = 10.002, u_mm: float = 0.003, flat_mm: float = 0.002, **changes: Any
) -> tuple[FindingResult, ...]:
    """Results of the block's two features."""
    length = Measured("straight", "mm", length_mm, (Contribution("calibration", u_mm),), **changes)
    flat = Measured("flatness", "mm", flat_mm, (Contribution("frame noise", 0.002),))
    return (
        FindingResult(Finding("L1", "distance"), (length,)),
        FindingResult(Finding("P1", "flat"), (flat,)),
    )


def words(made: BlockReading) -> str:
    return "\n".join([*(one.words for one in made.tests), *made.not_read])


def test_a_sound_head_on_its_day_has_only_its_unknown_covariance_against_it() -> None:
    made = stands_against(head(), NOW, probe="PB-114", verifications=[verification()], head_sha256=SHA)
    assert [one for one in made if "covariance" not in one] == []


def test_another_probe_is_named() -> None:
    assert "probe PB-9 is fitted, but head HX-07 is calibrated with PB-114" in said(head(), probe="PB-9")


def test_an_unknown_probe_is_not_known_and_never_valid() -> None:
    assert "which probe is fitted is not known" in said(head(), probe=None)
    assert "which probes head HX-07 is calibrated with is not known" in said(head(probes=()))


def test_an_expired_head_is_named_with_its_day() -> None:
    assert "ran out on 2026-03-01: calibrate it" in said(head(valid_until=date(2026, 3, 1)))


def test_unknown_dates_of_a_head_are_not_known() -> None:
    text = said(head(calibrated_on=None, valid_until=None))
    assert "when head HX-07 was calibrated is not known" in text
    assert "until when the calibration of head HX-07 holds is not known" in text


def test_a_clock_in_the_past_is_noticed() -> None:
    past = datetime(2025, 1, 1, tzinfo=UTC)
    assert "calibrated on 2025-09-01, after 2025-01-01: is the clock right?" in said(head(), past)
    assert "is the clock right?" in said(head(), NOW - timedelta(hours=3), verifications=[verification()])


def test_a_measurement_out_of_the_working_range_is_named() -> None:
    assert "works from 6 to 60 mm" in said(head(), range_mm=(4.2, 20.0))
    assert "the working range of head HX-07 is not known" in said(
        head(working_range_mm=None), range_mm=(4.2, 20.0)
    )


def test_no_verification_today_is_named() -> None:
    assert "was not verified on a block on 2026-03-14" in said(head(), verifications=[])
    old = verification("2026-03-13T07:55:00Z")
    assert "was not verified on a block on 2026-03-14" in said(head(), verifications=[old])


def test_a_verification_of_another_head_does_not_count() -> None:
    other = verification(head="HX-08")
    assert "(those given are of HX-08)" in said(head(), verifications=[other])


def test_a_verification_with_another_calibration_does_not_count() -> None:
    text = said(head(), verifications=[verification()], head_sha256="b" * 64)
    assert "verified with another calibration than this one" in text


def test_a_verification_with_another_probe_does_not_count() -> None:
    text = said(head(), verifications=[verification(probe="PB-9")])
    assert "was verified with probe PB-9, fitted is PB-114" in text


def test_a_failed_verification_stands_against_the_head() -> None:
    failed = verification(outcome="failed")
    assert "did not pass block B-12" in said(head(), verifications=[failed])


def test_an_expired_block_is_named_and_nothing_passes_on_it() -> None:
    late = block(valid_until="2026-03-01")
    assert "ran out on 2026-03-01" in block_stands_against(late, NOW.date())[0]
    assert block_stands_against(block(certificate=None, valid_until=None), NOW.date()) == (
        "the certificate of block B-12 is not known",
        "until when the certificate of block B-12 holds is not known",
    )


def test_a_block_certified_tomorrow_asks_for_the_clock() -> None:
    assert "is the clock right?" in block_stands_against(block(calibrated_on="2026-03-20"), NOW.date())[0]


def test_no_marks_for_a_feature_is_not_able_to_verify() -> None:
    made = read_block(block(), reading()[:1], 20.0)
    assert made.outcome == "not able to verify"
    assert "P1 flatness: nothing is marked for it" in words(made)


def test_a_feature_marked_as_another_kind_is_named() -> None:
    wrong = replace(reading()[0], finding=Finding("L1", "path"))
    made = read_block(block(), (wrong, reading()[1]), 20.0)
    assert "marked as path, the block has a distance" in words(made)


def test_a_block_in_the_wrong_unit_is_noticed() -> None:
    rows = [{**BLOCK["features"][0], "unit": "in"}, BLOCK["features"][1]]
    made = read_block(block(features=rows), reading(), 20.0)
    assert made.outcome == "not able to verify"
    assert "is the block's unit wrong?" in words(made)
    areas = [{**BLOCK["features"][0], "unit": "mm²"}, BLOCK["features"][1]]
    assert "gives it in mm², it is measured in mm" in words(
        read_block(block(features=areas), reading(), 20.0)
    )


def test_a_block_in_inches_is_read_in_inches() -> None:
    inch = {**BLOCK["features"][0], "unit": "in", "value": 10 / 25.4, "permissible_error": 0.06 / 25.4,
            "expanded_uncertainty": 0.00004}  # fmt: skip
    made = read_block(block(features=[inch, BLOCK["features"][1]]), reading(), 20.0)
    assert made.outcome == "passed"
    assert made.tests[0].error == pytest.approx(0.002 / 25.4)


def test_a_quantity_that_the_kind_does_not_have_is_named() -> None:
    rows = [{**BLOCK["features"][0], "quantity": "length"}, BLOCK["features"][1]]
    assert "has no quantity of that name (straight are)" in words(
        read_block(block(features=rows), reading(), 20.0)
    )


def test_a_reading_too_uncertain_for_the_permissible_error_is_not_able_to_verify() -> None:
    made = read_block(block(), reading(u_mm=0.011), 20.0)
    assert made.outcome == "not able to verify"
    assert "more than a third of the permissible 0.06 mm" in words(made)


def test_an_error_beyond_the_stated_uncertainty_fails() -> None:
    made = read_block(block(), reading(10.012, 0.003), 20.0)
    assert made.outcome == "failed"
    assert made.tests[0].e_n == pytest.approx(0.012 / np.hypot(0.006, 0.001))
    assert "more than the stated uncertainty allows" in words(made)


def test_an_error_beyond_the_permissible_one_fails() -> None:
    made = read_block(block(), reading(10.062, 0.0099, 0.002), 20.0)
    wide = read_block(block(), (reading(10.0595, 0.0099)[0], reading()[1]), 45.0)
    assert made.outcome == "failed"
    assert not wide.tests[0].within  # the block's own expansion at 45 °C uses up the rest of the room


def test_a_size_that_is_only_a_least_one_is_not_read() -> None:
    made = read_block(block(), reading(bound="at_least"), 20.0)
    assert "only a least or greatest size was read" in words(made)


def test_the_formats_page_example_is_reproduced() -> None:
    # format 10's own numbers: reading 5.011 ± 0.014 of 5.002 ± 0.002: error 0.009, E_n 0.64
    feature = {
        **BLOCK["features"][0],
        "value": 5.002,
        "expanded_uncertainty": 0.002,
        "permissible_error": 0.05,
    }
    result = FindingResult(
        Finding("L1", "distance"), (Measured("straight", "mm", 5.011, (Contribution("calibration", 0.007),)),)
    )
    test = read_block(block(features=[feature]), [result], 21.5).tests[0]
    assert (round(test.error, 3), round(test.e_n, 2)) == (0.009, 0.64)
    assert test.passed


def test_a_capture_of_tomorrow_is_refused() -> None:
    look = Capture(NOW + timedelta(days=1), head())
    how = Circumstances("technician A", "fitted", NOW, SHA)
    with pytest.raises(InputRefused, match="must not lie after now: is the clock right"):
        verify(look, block(), (), how)


def test_a_failure_lists_all_that_rests_on_the_head_since_it_last_passed() -> None:
    passed = verification("2026-03-10T08:00:00Z")
    failed = verification("2026-03-14T16:00:00Z", outcome="failed")
    used = [
        Used("engine D-0007, F1", moment_of("2026-03-12T10:00:00Z"), "HX-07", signed=True),
        Used("engine D-0006, F4", moment_of("2026-03-09T10:00:00Z"), "HX-07"),
        Used("engine D-0005, F2", moment_of("2026-03-12T10:00:00Z"), "HX-08"),
        Used("engine D-0007, F2", moment_of("2026-03-11T10:00:00Z"), "HX-07"),
    ]
    touched = touched_by(failed, [passed, failed], used)
    assert [one.what for one in touched] == ["engine D-0007, F2", "engine D-0007, F1"]
    assert [one.signed for one in touched] == [False, True]
    assert len(touched_by(failed, [], used)) == 3
