"""Decision rules against published arithmetic, and what they make of boundaries in both directions."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, t
from verdict_cases import ISO, SIMPLE, lower, upper

from fringewise.core.measured import Bound
from fringewise.verdict.book import RANK, Ladder
from fringewise.verdict.decision import DecisionRule, Subject, decision_rule, ladder_bounds, ladder_grounds
from fringewise.verdict.documents import DecisionDocument
from fringewise.verdict.sizes import Size, one_sided_factor

INCH_LIMIT = 0.030 * 25.4
GUARD_U = decision_rule(DecisionDocument(rule="guard band k U", k=1.0))


# JCGM 106:2012, 7.3.3 examples 1 and 2 (numbers from memory, arithmetic recomputed: 0.9192 and 0.9890).
# They are one-sided and without prior knowledge, as every decision here is.
def test_one_upper_limit_as_in_jcgm_106() -> None:
    assert Size(-5.47, 0.05).probability_up_to(-5.40) == pytest.approx(0.9192, abs=5e-5)


def test_one_lower_limit_as_in_jcgm_106() -> None:
    assert Size(509.7, 8.6).mirrored().probability_up_to(-490.0) == pytest.approx(0.9890, abs=5e-5)


# JCGM 106:2012, 7.4 (two-sided: 0.6626): tests the function only, never a decision.
def test_between_two_limits_as_in_jcgm_106() -> None:
    size = Size(13.6, 1.8)
    assert size.probability_up_to(16.3) - size.probability_up_to(12.5) == pytest.approx(0.6626, abs=5e-5)


# ISO 14253-1:2017: 95 % one-sided, factor 1.6449, printed 1.65; 1 − Φ(1.65) = 4.95 % (recomputed).
def test_the_default_factor_is_that_of_95_per_cent() -> None:
    assert one_sided_factor(0.95) == pytest.approx(1.6449, abs=5e-5)
    assert f"{one_sided_factor(0.95):.3f}"[:4] == "1.64"
    assert 1 - norm.cdf(1.65) == pytest.approx(0.0495, abs=5e-5)


# One-sided Student factors as any table of t prints them (0.95).
@pytest.mark.parametrize(("degrees", "factor"), [(5.0, 2.02), (10.0, 1.81), (20.0, 1.72)])
def test_few_degrees_of_freedom_take_student_factors(degrees: float, factor: float) -> None:
    assert one_sided_factor(0.95, degrees) == pytest.approx(factor, abs=0.005)


# ILAC-G8:09/2019, table 1 (from memory; recomputed): probabilities of false acceptance for a value at the
# acceptance limit, U = 2 u.
@pytest.mark.parametrize(
    ("k", "risk", "tolerance"),
    [
        (1.5, 0.00135, 5e-6),
        (1.0, 0.0228, 5e-5),
        (0.83, 0.0485, 5e-4),
        (0.0, 0.5, 1e-12),
        (3.0, 9.9e-10, 1e-11),
    ],
)
def test_guard_bands_leave_the_risks_of_ilac_g8(k: float, risk: float, tolerance: float) -> None:
    rule = decision_rule(DecisionDocument(rule="guard band k U", k=k))
    at_limit = Size(1.0 - rule.guard(Size(1.0, 0.03)), 0.03)
    assert 1 - at_limit.probability_up_to(1.0) == pytest.approx(risk, abs=tolerance)


# Worked row: limit 0.762 mm (0.030 in), u 0.030 mm; recomputed reference numbers.
@pytest.mark.parametrize(
    ("rule", "acceptance_limit"),
    [
        (SIMPLE, 0.7620),
        (ISO, 0.7127),
        (decision_rule(DecisionDocument(rule="guard band k U", k=0.83)), 0.7122),
        (GUARD_U, 0.7020),
        (decision_rule(DecisionDocument(rule="conformance probability p", p=0.95)), 0.7127),
    ],
)
def test_acceptance_limits_of_the_worked_row(rule: DecisionRule, acceptance_limit: float) -> None:
    assert INCH_LIMIT - rule.guard(Size(0.7, 0.030)) == pytest.approx(acceptance_limit, abs=5e-5)


@pytest.mark.parametrize(
    ("value", "probability"),
    [(0.650, 0.99991), (0.700, 0.98062), (0.740, 0.76832), (0.762, 0.5), (0.800, 0.10264)],
)
def test_conformance_probabilities_of_the_worked_row(value: float, probability: float) -> None:
    assert Size(value, 0.030).probability_up_to(INCH_LIMIT) == pytest.approx(probability, abs=6e-6)


@pytest.mark.parametrize(
    ("value", "mildest", "worst"),
    [
        (0.650, "serviceable", "serviceable"),
        (0.712, "serviceable", "serviceable"),
        (0.713, "serviceable", "reject"),
        (0.762, "serviceable", "reject"),
        (0.811, "serviceable", "reject"),
        (0.812, "reject", "reject"),
    ],
)
def test_a_size_near_a_limit_is_decided_only_with_95_per_cent(value: float, mildest: str, worst: str) -> None:
    bounds = ladder_bounds(Size(value, 0.030), upper(INCH_LIMIT), ISO)
    assert (bounds.mildest, bounds.worst) == (mildest, worst)


@pytest.mark.parametrize("degrees", [math.inf, 20.0, 5.0])
def test_exactly_95_per_cent_counts_as_met_on_both_sides(degrees: float) -> None:
    factor = one_sided_factor(0.95, degrees)
    inside, outside = (Size(0.9 + sign * factor * 0.03, 0.03, degrees) for sign in (-1, 1))
    assert ladder_bounds(inside, upper(0.9), ISO).decided == "serviceable"
    assert ladder_bounds(outside, upper(0.9), ISO).decided == "reject"
    nearer = Size(0.9 - (factor - 1e-6) * 0.03, 0.03, degrees)
    assert ladder_bounds(nearer, upper(0.9), ISO).decided is None


@pytest.mark.parametrize("inches", [0.001, 0.003, 0.010, 0.030, 0.1, 0.125, 0.9])
def test_a_size_without_doubt_at_a_limit_in_inches_keeps_it(inches: float) -> None:
    size = Size(inches * 25.4, 0.0)
    assert ladder_bounds(size, upper(25.4 * inches), ISO).decided == "serviceable"
    assert ladder_bounds(size, lower(25.4 * inches), ISO).decided == "serviceable"
    assert (
        ladder_bounds(Size(inches * 25.4 * (1 + 1e-9), 0.0), upper(25.4 * inches), SIMPLE).decided == "reject"
    )


def test_between_three_boundaries_all_classes_still_possible_are_named() -> None:
    steps = upper(0.25, 0.50, 0.90)
    wide = ladder_bounds(Size(0.40, 0.10), steps, ISO)
    assert (wide.mildest, wide.worst) == ("serviceable", "blend")
    assert ladder_bounds(Size(0.40, 0.02), steps, ISO).decided == "inspect_again"
    assert ladder_bounds(Size(0.95, 0.01), steps, ISO).decided == "reject"
    grounds = ladder_grounds(Subject("A", "depth", "mm"), Size(0.40, 0.10), steps, ISO, wide)
    assert [(one.boundary, one.kept) for one in grounds] == [
        ("serviceable_up_to", "in doubt"),
        ("inspect_again_up_to", "in doubt"),
    ]


def test_where_less_is_worse_all_is_mirrored() -> None:
    steps = lower(0.30, 0.20)
    assert ladder_bounds(Size(0.34, 0.02), steps, ISO).decided == "serviceable"
    assert ladder_bounds(Size(0.25, 0.02), steps, ISO).decided == "inspect_again"
    assert ladder_bounds(Size(0.15, 0.02), steps, ISO).decided == "reject"
    both = ladder_bounds(Size(0.32, 0.02), steps, ISO)
    assert (both.mildest, both.worst) == ("serviceable", "inspect_again")


def test_at_least_can_prove_that_a_limit_is_exceeded_and_nothing_else() -> None:
    seen = Size(0.95, 0.01, bound="at_least")
    assert ladder_bounds(seen, upper(0.25, 0.50, 0.90), ISO).decided == "reject"
    small = ladder_bounds(Size(0.01, 0.001, bound="at_least"), upper(0.25, 0.50, 0.90), ISO)
    assert (small.mildest, small.worst) == ("serviceable", "reject")
    middle = ladder_bounds(Size(0.40, 0.01, bound="at_least"), upper(0.25, 0.50, 0.90), ISO)
    assert (middle.mildest, middle.worst) == ("inspect_again", "reject")


def test_at_most_can_prove_that_too_little_is_left_and_nothing_else() -> None:
    assert ladder_bounds(Size(0.10, 0.01, bound="at_most"), lower(0.30, 0.20), ISO).decided == "reject"
    bounds: tuple[Bound, ...] = ("at_most", "at_least")
    for bound in bounds:
        large = ladder_bounds(Size(0.90, 0.01, bound=bound), lower(0.30, 0.20), ISO)
        assert (large.mildest, large.worst) == ("serviceable", "reject")


def test_a_reading_beyond_a_limit_is_never_accepted_under_any_rule() -> None:
    rules = [
        DecisionDocument(rule="simple acceptance"),
        DecisionDocument(rule="guard band k U", k=0.0),
        DecisionDocument(rule="conformance probability p", p=0.500001),
        DecisionDocument(rule="ISO 14253-1:2017"),
    ]
    for stated in rules:
        beyond = ladder_bounds(Size(0.2501, 0.5), upper(0.25), decision_rule(stated))
        assert beyond.worst == "reject", stated.rule


def test_simple_acceptance_decides_at_the_limit_itself() -> None:
    assert ladder_bounds(Size(0.25, 0.1), upper(0.25), SIMPLE).decided == "serviceable"
    assert ladder_bounds(Size(0.2501, 0.1), upper(0.25), SIMPLE).decided == "reject"


def test_a_guard_band_of_u_is_passed_failed_or_in_between() -> None:
    # ILAC-G8:09/2019 4.2.3: pass to TL − w, conditional between, fail beyond TL + w
    assert ladder_bounds(Size(0.702, 0.030), upper(INCH_LIMIT), GUARD_U).decided == "serviceable"
    assert ladder_bounds(Size(0.703, 0.030), upper(INCH_LIMIT), GUARD_U).decided is None
    assert ladder_bounds(Size(0.822, 0.030), upper(INCH_LIMIT), GUARD_U).decided is None
    assert ladder_bounds(Size(0.823, 0.030), upper(INCH_LIMIT), GUARD_U).decided == "reject"


def test_a_lopsided_size_is_decided_by_its_quantiles() -> None:
    lopsided = Size(0.30, 0.05, quantiles=((0.05, 0.28), (0.95, 0.44)))
    assert ladder_bounds(lopsided, upper(0.44), ISO).decided == "serviceable"
    assert ladder_bounds(lopsided, upper(0.439), ISO).decided is None
    assert ladder_bounds(lopsided, upper(0.28), ISO).decided == "reject"
    assert ladder_bounds(lopsided, upper(0.281), ISO).decided is None
    assert lopsided.quantile(0.95) == pytest.approx(0.44)


def test_few_degrees_of_freedom_decide_by_student() -> None:
    size = Size(0.70, 0.030, 5.0)
    assert size.probability_up_to(INCH_LIMIT) == pytest.approx(
        float(t.cdf((INCH_LIMIT - 0.70) / 0.030, 5)), abs=1e-12
    )
    assert ladder_bounds(size, upper(INCH_LIMIT), ISO).decided == "serviceable"
    assert ladder_bounds(Size(0.705, 0.030, 5.0), upper(INCH_LIMIT), ISO).decided is None
    assert ladder_bounds(Size(0.705, 0.030), upper(INCH_LIMIT), ISO).decided == "serviceable"


def test_a_length_below_zero_counts_by_its_magnitude_where_more_is_worse() -> None:
    assert ladder_bounds(Size(-0.5, 0.01), upper(0.25), ISO).decided == "reject"
    assert ladder_bounds(Size(-0.5, 0.01), lower(0.25), ISO).decided == "reject"


sizes = st.builds(
    Size,
    st.floats(-0.2, 2.0),
    st.floats(0.0, 0.5),
    st.sampled_from([math.inf, 3.0, 12.0]),
    bound=st.sampled_from(["both", "at_least", "at_most"]),
)
ladders = st.lists(st.floats(0.05, 1.5), min_size=1, max_size=3).map(sorted).map(
    lambda x: upper(*x)
) | st.lists(st.floats(0.05, 1.5), min_size=1, max_size=2).map(lambda x: lower(*sorted(x, reverse=True)))


@given(sizes, ladders, st.floats(0.0, 0.5))
def test_moving_a_size_to_its_worse_side_never_makes_the_worst_class_milder(
    size: Size, ladder: Ladder, step: float
) -> None:
    sign = 1.0 if ladder.worse == "more" else -1.0
    value = abs(size.value) if ladder.worse == "more" else size.value
    before = Size(value, size.standard_uncertainty, size.degrees_of_freedom, bound=size.bound)
    after = Size(value + sign * step, size.standard_uncertainty, size.degrees_of_freedom, bound=size.bound)
    milder, worse = (ladder_bounds(one, ladder, ISO) for one in (before, after))
    assert RANK[worse.worst] >= RANK[milder.worst]
    assert RANK[worse.mildest] >= RANK[milder.mildest]


@given(sizes, ladders, st.floats(1.0, 5.0))
def test_growing_an_uncertainty_never_makes_the_worst_class_milder(
    size: Size, ladder: Ladder, factor: float
) -> None:
    wider = Size(size.value, factor * size.standard_uncertainty, size.degrees_of_freedom, bound=size.bound)
    for rule in (ISO, GUARD_U, SIMPLE):
        assert RANK[ladder_bounds(wider, ladder, rule).worst] >= RANK[ladder_bounds(size, ladder, rule).worst]
