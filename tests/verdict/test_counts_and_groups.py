"""Counts on a blade and a stage, and the worst of blades, stages and the engine."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest
from verdict_cases import NICK_RULE, PART, judge_of, nick

from fringewise.verdict.cases import Case, Surroundings
from fringewise.verdict.counts import CountVerdict
from fringewise.verdict.groups import Decided, decide_all, stages_with_seen
from fringewise.verdict.output import verdicts_document
from fringewise.verdict.sizes import Size
from fringewise.verdict.stages import StageSeen
from fringewise.verdict.statements import group_statement, statement

STAGE = StageSeen("compressor 3", PART, 36, seen=frozenset(map(str, range(1, 37))))
COUNT = '[[count]]\nid = "COUNT"\npart = "compressor 3 blade"\nkind = "edge_nick"\n'


def on(item: int | str, n: int = 1, depth: float = 0.1, **changes: Any) -> list[Case]:
    return [
        nick(depth, identity=f"F{item}.{k}", item=str(item), stage="compressor 3", **changes)
        for k in range(n)
    ]


def all_of(cases: Iterable[Case], entries: str = "", stage: StageSeen | None = STAGE, **more: Any) -> Decided:
    stages = () if stage is None else (stage,)
    return decide_all(judge_of(NICK_RULE + entries), tuple(cases), stages=stages, **more)


def the_count(decided: Decided) -> CountVerdict:
    (found,) = decided.counts
    return found


def outcomes(decided: Decided) -> set[str]:
    return {one.outcome for one in decided.damages}


@pytest.mark.parametrize(("number", "state"), [(3, "kept"), (4, "exceeded")])
def test_a_number_on_a_blade_is_held_against_the_book(number: int, state: str) -> None:
    decided = all_of(on(7, number), COUNT + "per_blade_max = 3")
    assert the_count(decided).state == state
    assert outcomes(decided) == {"serviceable" if state == "kept" else "reject"}


def test_an_exceeded_count_gives_the_outcome_that_the_book_states() -> None:
    decided = all_of(on(7, 4), COUNT + 'per_blade_max = 3\nexceeded = "inspect_again"')
    assert outcomes(decided) == {"inspect_again"}


def test_damages_of_other_blades_do_not_count() -> None:
    assert outcomes(all_of([*on(7, 2), *on(9, 2)], COUNT + "per_blade_max = 2")) == {"serviceable"}


def test_two_findings_of_one_damage_count_once() -> None:
    twice = [replace(one, damage="D1") for one in on(7, 2)]
    assert the_count(all_of(twice, COUNT + "per_blade_max = 1")).state == "kept"


def test_a_finding_without_its_blade_may_be_on_any() -> None:
    unplaced = nick(0.1, identity="X", item="", stage="compressor 3")
    decided = all_of([*on(7, 2), unplaced], COUNT + "per_blade_max = 2")
    assert {one.where[2]: one.state for one in decided.counts} == {"7": "not known", "": "kept"}
    assert outcomes(decided) == {"not_decided"}


def test_earlier_blends_count() -> None:
    blend = Case(
        "B1",
        "blend",
        PART,
        "compressor 3",
        "7",
        damage="OLD",
        tear_or_crack="no",
        sizes={"depth": Size(0.5, 0.01)},
    )
    blend_rule = NICK_RULE.replace("NICK", "B").replace("edge_nick", "blend")
    decided = all_of([*on(7, 2), blend], blend_rule + COUNT + "per_blade_max = 2")
    assert the_count(decided).state == "exceeded"


def test_the_limits_of_blends_on_a_blade_hold_for_finished_ones() -> None:
    entries = NICK_RULE + "blend = {per_blade_max = 1, depth_max = 1.2}\n"
    blends = [
        Case(
            f"B{n}", "blend", PART, "compressor 3", "7", tear_or_crack="no", sizes={"depth": Size(0.5, 0.01)}
        )
        for n in range(2)
    ]
    decided = decide_all(judge_of(entries), blends, stages=(STAGE,))
    assert the_count(decided).state == "exceeded"
    assert {one.outcome for one in decided.damages} == {"reject"}


def test_a_nick_that_was_blended_since_is_closed_by_its_blend() -> None:
    entries = NICK_RULE + "blend = {depth_max = 1.2}\n"
    open_nick = replace(on(7, depth=0.8)[0], damage="D1")
    blend = Case(
        "B1",
        "blend",
        PART,
        "compressor 3",
        "7",
        damage="D1",
        tear_or_crack="no",
        sizes={"depth": Size(1.0, 0.01)},
    )
    before = decide_all(judge_of(entries), [open_nick], stages=(STAGE,))
    assert before.engine.outcome == "blend"
    after = decide_all(judge_of(entries), [open_nick, blend], stages=(STAGE,))
    assert after.engine.outcome == "serviceable"
    assert any("blended since" in words for words in after.damages[0].said)
    cracked = decide_all(
        judge_of(entries), [replace(open_nick, sizes={"depth": Size(1.1, 0.01)}), blend], stages=(STAGE,)
    )
    assert cracked.engine.outcome == "reject"


def test_unseen_blades_leave_a_count_of_the_stage_not_known() -> None:
    part = replace(STAGE, seen=frozenset({"7", "9"}))
    decided = all_of(on(7), COUNT + "damaged_blades_per_stage_max = 6", part)
    assert the_count(decided).state == "not known"
    assert "34 of 36 blades not seen" in the_count(decided).words
    verdict = decided.damages[0]
    assert verdict.outcome == "serviceable"
    assert not verdict.stands
    assert the_count(all_of(on(7), COUNT + "damaged_blades_per_stage_max = 6")).state == "kept"
    assert the_count(all_of(on(7), COUNT + "per_stage_max = 6", None)).state == "not known"


def test_damaged_blades_are_counted_not_damages() -> None:
    cases = [*on(7, 5), *on(9, 1)]
    assert the_count(all_of(cases, COUNT + "damaged_blades_per_stage_max = 2")).state == "kept"
    assert the_count(all_of(cases, COUNT + "damaged_blades_per_stage_max = 1")).state == "exceeded"


@pytest.mark.parametrize(("pair", "state"), [((7, 8), "exceeded"), ((1, 36), "exceeded"), ((7, 9), "kept")])
def test_neighbours_go_round_the_stage(pair: tuple[int, int], state: str) -> None:
    cases = [one for item in pair for one in on(item)]
    assert the_count(all_of(cases, COUNT + "adjacent_allowed = false")).state == state


def test_a_neighbour_that_was_not_seen_is_not_known() -> None:
    part = replace(STAGE, seen=frozenset({"6", "7"}))
    assert the_count(all_of(on(7), COUNT + "adjacent_allowed = false", part)).state == "not known"


SPACED = COUNT + 'unit = "mm"\nspacing_min = 6.0'


@pytest.mark.parametrize(
    ("spacing", "state", "outcome"),
    [
        (None, "not known", "not_decided"),
        (7.0, "kept", "serviceable"),
        (6.05, "not known", "not_decided"),
        (5.0, "exceeded", "reject"),
    ],
)
def test_spacing_that_was_not_measured_ranks_as_exceeded(
    spacing: float | None, state: str, outcome: str
) -> None:
    cases = [nick(0.1, identity=name, damage=name, item="7", stage="compressor 3") for name in ("D1", "D2")]
    measured = {} if spacing is None else {frozenset({"D1", "D2"}): Size(spacing, 0.1)}
    decided = all_of(cases, SPACED, near=Surroundings(spacings=measured))
    assert the_count(decided).state == state
    assert outcomes(decided) == {outcome}
    assert decided.damages[0].bounds.worst == ("serviceable" if state == "kept" else "reject")


def test_one_damage_needs_no_spacing() -> None:
    assert all_of(on(7), SPACED).counts == ()


SUM = COUNT + 'unit = "mm"\nsum_max = {quantity = "depth", per_blade = 0.5}'


@pytest.mark.parametrize(("depth", "state"), [(0.2, "kept"), (0.248, "not known"), (0.27, "exceeded")])
def test_a_sum_carries_the_doubt_of_all_its_sizes(depth: float, state: str) -> None:
    decided = all_of(on(7, 2, depth, u=0.004), SUM)
    assert the_count(decided).state == state


def test_a_sum_with_a_size_wanting_is_not_known() -> None:
    cases = [*on(7, 1, 0.1), nick(0, identity="X", sizes={}, reason="dark", stage="compressor 3")]
    assert the_count(all_of(cases, SUM)).state == "not known"


def test_the_engine_is_never_called_more_than_within_limits() -> None:
    decided = all_of(on(7))
    words = group_statement(decided.engine)
    assert words == "Engine: all findings within limits, 36 of 36 items seen."
    part = all_of(on(7), stage=replace(STAGE, seen=frozenset({"7"})))
    assert (
        group_statement(part.engine) == "Engine: all findings within limits, 1 of 36 items seen, 35 not seen."
    )
    assert part.engine.outcome == "not_decided"


def test_nothing_found_is_said_of_what_was_seen_only() -> None:
    decided = all_of([], stage=replace(STAGE, seen=frozenset({"1", "2"})))
    assert (
        group_statement(decided.engine)
        == "Engine: Nothing found on what was seen; 2 of 36 items seen, 34 not seen."
    )
    assert decided.engine.outcome == "not_decided"
    without_card = all_of([], stage=None)
    assert "Nothing found on what was seen" in group_statement(without_card.engine)
    assert without_card.engine.outcome == "not_decided"


def test_the_worst_counts_for_blade_stage_and_engine() -> None:
    decided = all_of([*on(7), *on(9, 1, 0.4), *on(11, 1, 0.8)])
    named = {one.name: one.outcome for one in decided.groups}
    assert named["compressor 3, item 7"] == "serviceable"
    assert named["compressor 3, item 9"] == "inspect_again"
    assert named["compressor 3"] == named[""] == "blend"


def test_what_has_no_rule_ranks_as_the_worst() -> None:
    decided = all_of([*on(7), *on(9, kind="edge_bend")])
    assert decided.engine.outcome == "no_rule"
    assert decided.engine.bounds.worst == "reject"
    mixed = all_of([*on(7, 1, 0.95), *on(9, kind="edge_bend")])
    assert mixed.engine.outcome == "reject"


def test_a_stage_of_the_card_without_findings_is_told() -> None:
    other = StageSeen("turbine 1", "turbine 1 blade", 40)
    decided = decide_all(judge_of(), on(7), stages=(STAGE, other))
    words = [group_statement(one) for one in decided.groups]
    assert "turbine 1: nothing found on what was seen, 0 of 40 items seen, 40 not seen." in words
    assert "36 of 76 items seen" in words[-1]


def test_seen_items_are_those_named_and_those_with_a_finding() -> None:
    (stage,) = stages_with_seen([replace(STAGE, seen=frozenset())], on(7), {"Compressor 3": ("1", "2")})
    assert stage.seen == {"1", "2", "7"}


def test_every_statement_carries_the_caution_and_never_a_release() -> None:
    crack = replace(on(9)[0], kind="crack", sizes={"length": Size(2.0, 0.1, bound="at_least")})
    decided = all_of([*on(7), crack], '[[never]]\nid = "C"\npart = "compressor 3 blade"\nkind = "crack"\n')
    for damage in decided.damages:
        words = statement(decided, damage)
        assert words.endswith("and the licensed person decide.")
        assert ("Visible length; the crack may be longer." in words) == (damage.case.kind == "crack")
    told = str(verdicts_document(decided)).lower()
    for word in ("airworthy", "fit to fly", "released", "✓"):
        assert word not in told
