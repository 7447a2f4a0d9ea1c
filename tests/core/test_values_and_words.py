"""Measured values, their digits, flags and errors."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fringewise.core.errors import InputRefused, NotMeasurable, Problem, problem_lines
from fringewise.core.flags import BARRING, FLAG_TABLE, Flag, flags_in_words, usable
from fringewise.core.measured import Contribution, Measured
from fringewise.core.progress import Silent, steps
from fringewise.core.units import decimals_for, shown_in, value_and_doubt


def depth(dof: float = math.inf) -> Measured:
    budget = (Contribution("frame noise", 0.003), Contribution("marks", 0.004))
    return Measured("depth", "mm", 0.3, budget, degrees_of_freedom=dof)


def test_uncertainty_is_the_root_of_the_budgets_squares() -> None:
    assert depth().standard_uncertainty == pytest.approx(0.005)
    assert depth().expanded_uncertainty == pytest.approx(0.010)
    assert depth().part("marks") == 0.004
    assert depth().part("calibration") == 0


def test_interval_of_a_gaussian_value_is_1_96_u() -> None:
    # GUM table G.1 / JCGM 101: 1.96 for 95 %
    low, high = depth().interval_95
    assert (high - low) / 2 / 0.005 == pytest.approx(1.96, abs=0.001)


@pytest.mark.parametrize(("dof", "factor"), [(5, 2.65), (10, 2.28), (20, 2.13)])
def test_few_degrees_of_freedom_widen_by_students_t(dof: float, factor: float) -> None:
    # t for 95.45 %: 2.649, 2.284, 2.133 (GUM, JCGM 100:2008, table G.2)
    assert depth(dof).coverage_factor == pytest.approx(factor, abs=0.006)


def test_a_source_stands_once_in_a_budget() -> None:
    with pytest.raises(ValueError, match="one line a source"):
        Measured("depth", "mm", 1.0, (Contribution("marks", 0.1), Contribution("marks", 0.1)))


@pytest.mark.parametrize("wrong", [-0.1, math.nan, math.inf])
def test_an_uncertainty_is_0_or_more(wrong: float) -> None:
    with pytest.raises(ValueError, match="must be 0 or more"):
        Contribution("marks", wrong)


@given(st.floats(1e-5, 100.0))
def test_doubt_is_printed_with_one_or_two_digits(doubt: float) -> None:
    decimals = decimals_for(doubt)
    printed = f"{doubt:.{decimals}f}"
    digits = printed.replace(".", "").lstrip("0")
    if decimals > 0:
        assert len(digits) == (2 if digits[0] in "12" else 1)
    assert float(printed) == pytest.approx(doubt, rel=0.2)


@given(st.floats(0.001, 100), st.sampled_from(["mm", "mm²", "mm³"]))
def test_inches_and_back(value: float, unit: str) -> None:
    shown, name = shown_in(value, unit, "in")
    power = {"in": 1, "in²": 2, "in³": 3}[name]
    assert shown * 25.4**power == pytest.approx(value)  # the inch is 25.4 mm by definition


def test_value_and_doubt_are_rounded_alike() -> None:
    assert value_and_doubt(0.30549, 0.0123, "mm") == "0.305 ± 0.012 mm"
    assert value_and_doubt(12.345, 0.34, "deg", "in") == "12.3 ± 0.3 deg"
    assert depth().with_bound("at_least").in_words() == "at least 0.300 ± 0.010 mm"


def test_every_flag_has_one_row_and_words() -> None:
    assert {row.flag for row in FLAG_TABLE} == set(Flag)
    assert len({row.name for row in FLAG_TABLE}) == len(FLAG_TABLE)
    for row in FLAG_TABLE:
        assert flags_in_words(row.flag) == [row.words]
        assert bool(BARRING & row.flag) == row.bars_use
        assert bool(usable(np.array([row.flag], dtype=np.uint16))[0]) != row.bars_use


def test_many_problems_are_twenty_lines_and_a_count() -> None:
    lines = problem_lines([Problem("a.json", f"x[{n}]", "must be positive", "-1") for n in range(25)])
    assert len(lines) == 21
    assert lines[-1] == "and 5 more problems"


def test_a_long_value_is_shortened_to_one_line() -> None:
    line = str(Problem("a.json", "note", "must be short", "x\n" * 500))
    assert "\n" not in line
    assert len(line) < 140


def test_refusals_need_a_problem() -> None:
    with pytest.raises(ValueError, match="at least one problem"):
        InputRefused([])
    assert issubclass(NotMeasurable, Exception)


def test_steps_tell_how_far_they_are() -> None:
    told: list[tuple[str, int, int]] = []

    class Told(Silent):
        def step(self, name: str, done: int, total: int) -> None:
            told.append((name, done, total))

    assert list(steps("ab", "letters", Told(), 2)) == ["a", "b"]
    assert told == [("letters", 0, 2), ("letters", 1, 2), ("letters", 2, 2)]
