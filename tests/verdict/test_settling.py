"""What would settle an open case: nearer, more frames, something else, or nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from verdict_cases import NICK_RULE, decided, judge_of, nick

from fringewise.verdict.cases import Case
from fringewise.verdict.decision import ladder_bounds
from fringewise.verdict.settling import Settling, scaled_expectation, settle, settling_words
from fringewise.verdict.sizes import Size


def open_nick(depth: float = 0.24, u: float = 0.010, noise: float = 0.010, **changes: Any) -> Case:
    stated: dict[str, Any] = {"noise_shares": {"depth": (noise, 0.0)}, "standoff_mm": 18.0, **changes}
    return nick(depth, u, **stated)


def settled(case: Case, nearest_mm: float | None = 6.0) -> Settling:
    found = settle(judge_of(), decided(case), nearest_mm)
    assert found is not None
    return found


def test_a_decided_case_needs_nothing() -> None:
    assert settle(judge_of(), decided(nick(0.1))) is None


def test_the_farthest_stand_off_that_decides_is_named() -> None:
    found = settled(open_nick())
    # 0.010 mm · (z/18)² · 1.6449 ≤ 0.25 − 0.24 mm holds up to z = 14.03 mm
    assert found.standoff_mm == 14.0
    assert settling_words(found).startswith("Move to 14 mm or nearer: then 0.25 mm can be decided.")
    made = judge_of()
    (ladder,) = made.ladders["NICK"]
    for standoff, answer in ((14.0, "serviceable"), (14.5, None)):
        u = scaled_expectation(open_nick(), "depth", standoff, 1)
        assert u is not None
        assert ladder_bounds(Size(0.24, u), ladder, made.rule).decided == answer


def test_the_number_of_frames_that_decides_is_named() -> None:
    found = settled(open_nick())
    # 0.010 mm · 1.6449/√n ≤ 0.010 mm holds from n = 2.71
    assert found.frames == 4
    assert "Take 4 times as many frames" in settling_words(found)


def test_more_frames_do_not_help_against_what_is_not_noise() -> None:
    found = settled(open_nick(noise=0.0))
    assert found.frames is None
    assert found.standoff_mm == 14.0


def test_nothing_within_the_range_is_said_so() -> None:
    found = settled(open_nick(0.2499, noise=0.001), nearest_mm=12.0)
    assert (found.standoff_mm, found.frames) == (None, None)
    words = (
        "No stand-off within the head's range and no number of frames would decide it: act as inspect again."
    )
    assert settling_words(found) == words


def test_a_head_of_unknown_range_is_said_to_be_one() -> None:
    assert "if the head measures so near" in settling_words(settled(open_nick(), nearest_mm=None))


def test_what_is_wanting_comes_first() -> None:
    length = NICK_RULE.replace('"NICK"', '"LONG"').replace('"depth"', '"length"')
    made = judge_of(NICK_RULE + length)
    found = settle(made, decided(open_nick(0.1), entries=NICK_RULE + length))
    assert found is not None
    assert settling_words(found) == "Measure the length: length of an edge nick was not measured."
    partial = open_nick(sizes={"depth": Size(0.2, 0.004, bound="at_least")})
    assert "Bring the whole damage into view" in settling_words(settled(partial))
    assert "ask whoever holds the manual" in settling_words(settled(open_nick(kind="edge_bend")))


def test_the_uncertainty_to_expect_can_come_from_elsewhere() -> None:
    def hopeless(*_: object) -> float | None:
        return 0.05

    def unknown(*_: object) -> float | None:
        return None

    for expect in (hopeless, unknown):
        found = settle(judge_of(), decided(open_nick()), 6.0, expect)
        assert found is not None
        assert (found.standoff_mm, found.frames) == (None, None)


@pytest.mark.parametrize(("standoff", "frames", "u"), [(18.0, 1, 0.010), (9.0, 1, 0.0025), (18.0, 4, 0.005)])
def test_noise_falls_with_the_square_of_the_stand_off_and_the_root_of_the_frames(
    standoff: float, frames: int, u: float
) -> None:
    assert scaled_expectation(open_nick(), "depth", standoff, frames) == pytest.approx(u)


def test_lengths_are_told_in_inches_where_asked() -> None:
    assert settling_words(settled(open_nick()), "in").startswith(
        "Move to 0.5512 in or nearer: then 0.009843 in"
    )


def test_without_a_stand_off_it_is_measured_again_from_nearer() -> None:
    assert settling_words(settled(replace(open_nick(), standoff_mm=None))) == "Measure it again from nearer."
