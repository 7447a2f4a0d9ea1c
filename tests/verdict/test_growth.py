"""Growth shortens intervals and never lengthens them; Paris lives; the scatter of real growth."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from command import run_command
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from verdict_cases import NICK_RULE, decided, judge_of, nick

from fringewise.core.errors import InputRefused
from fringewise.verdict.documents import IntervalDocument
from fringewise.verdict.grown import EarlierSize, with_growth
from fringewise.verdict.growth import Sighting, shortened, time_to_limit
from fringewise.verdict.paris import ParisLaw, life_of_part, paris_life
from fringewise.verdict.scatter import growth_time_band
from fringewise.verdict.sizes import Size

EXACT: Final = 1e-7


def seen(*pairs: tuple[float, float], u: float = EXACT) -> list[Sighting]:
    return [Sighting(at, Size(value, u)) for at, value in pairs]


def test_the_soonest_of_three_kinds_of_growth_counts() -> None:
    # steady: 200; in proportion: 100; with the square of the size: 1/2 − 1/4 at 1/200 a cycle: 50
    assert time_to_limit(seen((0, 1.0), (100, 2.0)), 4.0) == pytest.approx(50.0, abs=0.01)


def test_the_doubt_of_sizes_brings_the_meeting_forward() -> None:
    times = [time_to_limit(seen((0, 1.0), (100, 1.2), u=u), 3.0) for u in (0.001, 0.01, 0.05)]
    known = [one for one in times if one is not None]
    assert len(known) == 3
    assert known == sorted(known, reverse=True)


def test_a_size_whose_bound_is_beyond_the_limit_has_no_time_left() -> None:
    assert time_to_limit(seen((0, 1.0), (100, 1.99), u=0.1), 2.0) == 0.0


def test_a_size_that_shrinks_surely_never_meets_the_limit() -> None:
    assert time_to_limit(seen((0, 2.0), (100, 1.0)), 4.0) is None


def test_growth_needs_two_inspections() -> None:
    with pytest.raises(ValueError, match="two inspections"):
        time_to_limit(seen((0, 1.0)), 2.0)
    with pytest.raises(ValueError, match="two inspections"):
        time_to_limit(seen((5, 1.0), (5, 1.1)), 2.0)


def test_half_the_time_shortens_the_interval_and_the_source_is_printed() -> None:
    found = shortened(IntervalDocument(cycles=300.0), {"cycles": seen((0, 1.0), (100, 2.0))}, 4.02)
    assert found is not None
    assert found.interval == IntervalDocument(cycles=25.0)
    assert "half-life rule" in found.words
    assert "EN-SB-12-003" in found.words


def test_slow_growth_leaves_the_books_interval() -> None:
    found = shortened(IntervalDocument(cycles=300.0), {"cycles": seen((0, 1.0), (1000, 1.001))}, 4.0)
    assert found is not None
    assert found.interval == IntervalDocument(cycles=300.0)
    assert found.words == ""


def test_no_interval_in_the_book_means_none_at_all() -> None:
    assert shortened(None, {"cycles": seen((0, 1.0), (100, 2.0))}, 4.0) is None


def test_no_time_left_is_no_interval() -> None:
    found = shortened(IntervalDocument(cycles=300.0), {"cycles": seen((0, 1.0), (100, 1.99), u=0.1)}, 2.0)
    assert found is not None
    assert found.interval is None


@given(
    st.dictionaries(st.integers(0, 1000), st.floats(0.05, 3.0), min_size=2, max_size=5),
    st.floats(0.001, 0.3),
    st.floats(0.1, 5.0),
)
def test_growth_never_lengthens_an_interval(sizes: dict[int, float], u: float, limit: float) -> None:
    book = IntervalDocument(cycles=300.0, hours=250.0)
    found = shortened(book, {"cycles": seen(*sizes.items(), u=u)}, limit)
    assert found is not None
    if found.interval is not None:
        assert (found.interval.cycles or math.inf) <= 300.0
        assert found.interval.hours == 250.0


def test_growth_of_the_same_damage_bears_on_its_verdict_alone() -> None:
    made = judge_of()
    now = decided(nick(0.40, damage="D1"))
    before = EarlierSize({"cycles": 1000.0, "hours": 900.0}, nick(0.30, damage="D1"))
    grown = with_growth(made, now, [before], {"cycles": 1100.0})
    assert grown.interval is not None
    assert grown.interval.cycles is not None
    assert grown.interval.cycles < 45
    assert grown.interval.hours == 250
    assert any("half-life rule" in one for one in grown.said)
    other = EarlierSize(before.clock, replace(before.case, damage="D2"))
    assert with_growth(made, now, [other], {"cycles": 1100.0}) == now
    unnamed = decided(nick(0.40))
    assert with_growth(made, unnamed, [before], {"cycles": 1100.0}) == unnamed
    without = decided(
        nick(0.40, damage="D1"), entries=NICK_RULE.replace("interval = {cycles = 300, hours = 250}\n", "")
    )
    assert with_growth(made, without, [before], {"cycles": 1100.0}).interval is None


# Closed form of the Paris law, reference numbers recomputed by quadrature (own, not published).
@pytest.mark.parametrize(
    ("coefficient", "exponent", "start", "end", "stress", "cycles"),
    [
        (1e-11, 3.0, 0.001, 0.010, 100.0, 776_634.444),
        (1e-11, 4.0, 0.001, 0.010, 100.0, 91_189.0653),
        (1e-11, 2.0, 0.001, 0.010, 100.0, 7_329_355.989),
        (6.9e-12, 3.0, 0.0005, 0.005, 200.0, 198_972.276),
    ],
)
def test_paris_lives_are_the_closed_form_and_the_integral(
    coefficient: float, exponent: float, start: float, end: float, stress: float, cycles: float
) -> None:
    law = ParisLaw(coefficient, exponent)
    found = paris_life(law, start, end, stress)
    assert found == pytest.approx(cycles, rel=1e-9)
    by_sums, _ = quad(lambda a: 1 / (coefficient * (stress * math.sqrt(math.pi * a)) ** exponent), start, end)
    assert found == pytest.approx(by_sums, rel=1e-6)


@pytest.mark.parametrize(
    ("part", "static"), [("compressor 3 blade", "yes"), ("rotor", "yes"), ("exhaust frame", "not known")]
)
def test_no_life_is_given_for_what_turns_or_may_turn(part: str, static: str) -> None:
    with pytest.raises(InputRefused, match="one flight"):
        life_of_part(part, static, ParisLaw(1e-11, 3.0), 0.001, 0.01, 100.0)  # type: ignore[arg-type]  # a table


def growth_times(shared_data: Path) -> tuple[list[float], np.ndarray[tuple[int, int], np.dtype[np.float64]]]:
    with (shared_data / "virkler_digitised.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    lengths = [float(name.split("_at_")[1].removesuffix("_mm")) for name in rows[0][1:]]
    return lengths, np.array([[float(one) for one in row[1:]] for row in rows[1:]])


# Crack growth of 68 like specimens, read off Bogdanoff & Kozin (1985), fig. 4.5.3: fit for trend and scatter.
def test_the_band_of_growth_times_covers_left_out_specimens(shared_data: Path) -> None:
    _, times = growth_times(shared_data)
    assert times[:, -1].mean() == pytest.approx(2537.5, abs=0.1)
    covered = 0
    for column in times.T[1:]:
        for n in range(len(column)):
            low, high = growth_time_band(np.delete(column, n))
            covered += low <= column[n] <= high
    share = covered / (len(times) * (times.shape[1] - 1))
    assert 0.92 <= share <= 0.98


def early_enough(shared_data: Path, every: int) -> tuple[int, int]:
    """Count the looks after half the predicted time that come before the limit, and how many were tried."""
    lengths, times = growth_times(shared_data)
    early = tried = 0
    for specimen in times[::every]:
        for k in range(1, len(lengths) - 2):
            pair = [Sighting(specimen[n], Size(lengths[n], 0.05)) for n in (k - 1, k)]
            for later in range(k + 1, len(lengths)):
                predicted = time_to_limit(pair, lengths[later])
                assert predicted is not None
                tried += 1
                early += bool(predicted / 2 <= specimen[later] - specimen[k])
    return early, tried


def test_half_the_predicted_time_is_over_before_the_limit(shared_data: Path) -> None:
    early, tried = early_enough(shared_data, every=8)
    assert early == tried


@pytest.mark.heavy
def test_half_the_predicted_time_is_over_before_the_limit_in_every_specimen(shared_data: Path) -> None:
    assert early_enough(shared_data, every=1) == (1836, 1836)


LIFE: Final = (
    "life", "--coefficient", "1e-11", "--exponent", "3", "--from", "1", "--to", "10", "--stress-range", "100",
    "--source", "operator's report 7",
)  # fmt: skip


def test_the_life_command_is_a_study_of_static_parts_only() -> None:
    done = run_command(*LIFE, "--part", "exhaust frame", "--static")
    assert done.status == 0
    assert "776,634 cycles" in done.out
    assert "It is no verdict and gives no interval." in done.out
    assert "operator's report 7" in done.out
    for more in (("--part", "exhaust frame"), ("--part", "turbine 1 blade", "--static")):
        refused = run_command(*LIFE, *more)
        assert refused.status == 2
        assert "can run in one flight" in refused.err
    backwards = run_command(*LIFE, "--part", "exhaust frame", "--static", "--to", "0.5")
    assert backwards.status == 2
