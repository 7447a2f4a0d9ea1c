"""What the book says of one damage: matching, the strictest rule, zones, repeats, and every doubt."""

from __future__ import annotations

from dataclasses import replace

import pytest
from limits_books import HEAD, book_of
from verdict_cases import NICK_RULE, PART, decided, judge_of, nick

from fringewise.verdict.cases import Surroundings
from fringewise.verdict.deciding import decide_damage
from fringewise.verdict.decision import decision_rule
from fringewise.verdict.documents import DecisionDocument
from fringewise.verdict.judge import judge
from fringewise.verdict.sizes import Size

NEVER_CRACK = '[[never]]\nid = "CRACK"\npart = "compressor 3 blade"\nkind = "crack"\n'
ZONES = """
[[zone]]
name = "outer"
part = "compressor 3 blade"
unit = "mm"
from_tip = [0.0, 20.0]

[[zone]]
name = "inner"
part = "compressor 3 blade"
unit = "in"
from_tip = [0.787401574803, 1.5]

[[rule]]
id = "OUTER"
part = "compressor 3 blade"
zone = "outer"
kind = "edge_nick"
quantity = "depth"
unit = "mm"
serviceable_up_to = 0.50

[[rule]]
id = "INNER"
part = "compressor 3 blade"
zone = "inner"
kind = "edge_nick"
quantity = "depth"
unit = "mm"
serviceable_up_to = 0.10
"""


def from_tip(*distances: float, u: float = 0.1) -> Surroundings:
    return Surroundings({"F1": {"from_tip": tuple(Size(one, u) for one in distances)}})


@pytest.mark.parametrize(
    ("depth", "outcome"),
    [
        (0.24, "serviceable"),
        (0.40, "inspect_again"),
        (0.80, "blend"),
        (0.95, "reject"),
        (0.25, "not_decided"),
    ],
)
def test_a_sound_finding_gets_the_class_of_its_size(depth: float, outcome: str) -> None:
    verdict = decided(nick(depth))
    assert verdict.outcome == outcome
    assert verdict.stands


def test_not_decided_is_acted_on_as_the_worst() -> None:
    verdict = decided(nick(0.25))
    assert (verdict.bounds.mildest, verdict.bounds.worst) == ("serviceable", "inspect_again")
    assert verdict.interval is not None
    assert (verdict.interval.cycles, verdict.interval.hours) == (300, 250)


def test_all_matching_rules_apply_and_the_strictest_wins() -> None:
    length = (
        NICK_RULE.replace('"NICK"', '"LONG"')
        .replace('"depth"', '"length"')
        .replace("table 601, line 4", "line 9")
    )
    both = nick(0.24, sizes={"depth": Size(0.24, 0.002), "length": Size(0.6, 0.01)})
    verdict = decided(both, entries=NICK_RULE + length)
    assert verdict.outcome == "blend"
    assert {one.rule for one in verdict.grounds} == {"NICK", "LONG"}


def test_a_size_that_a_rule_asks_for_and_nobody_measured_is_not_decided() -> None:
    length = NICK_RULE.replace('"NICK"', '"LONG"').replace('"depth"', '"length"')
    verdict = decided(nick(0.24), entries=NICK_RULE + length)
    assert verdict.outcome == "not_decided"
    assert verdict.bounds.worst == "reject"
    assert any("length of an edge nick was not measured" in one.words for one in verdict.grounds)


def test_without_a_rule_it_is_referred() -> None:
    assert decided(nick(0.01, kind="edge_bend")).outcome == "no_rule"
    assert decided(nick(0.01, part="turbine 1 blade")).outcome == "no_rule"
    nowhere = decided(nick(0.01, part=""))
    assert nowhere.outcome == "no_rule"
    assert nowhere.bounds.worst == "reject"
    assert "the part is not stated" in nowhere.provisional[0]


def test_a_finding_that_was_not_measured_says_so_and_acts_as_reject() -> None:
    verdict = decided(nick(0.01, sizes={}, reason="too dark"))
    assert verdict.outcome == "not_measured"
    assert verdict.bounds.worst == "reject"


def test_what_is_never_allowed_is_rejected_measured_or_not() -> None:
    crack = nick(0.01, kind="crack", sizes={}, reason="too dark")
    assert decided(crack, entries=NICK_RULE + NEVER_CRACK).outcome == "reject"
    everything = NEVER_CRACK.replace('"crack"', '"any"')
    assert decided(nick(0.01), entries=everything).outcome == "reject"


def test_a_torn_nick_gets_the_rules_for_cracks_as_well() -> None:
    assert decided(nick(0.01, tear_or_crack="yes"), entries=NICK_RULE + NEVER_CRACK).outcome == "reject"
    without = decided(nick(0.01, tear_or_crack="yes"))
    assert without.outcome == "no_rule"


def test_a_nick_that_may_be_torn_does_not_stand_where_the_book_speaks_of_cracks() -> None:
    unknown = nick(0.01, tear_or_crack="not known")
    verdict = decided(unknown, entries=NICK_RULE + NEVER_CRACK)
    assert verdict.outcome == "serviceable"
    assert "torn or cracked" in verdict.provisional[0]
    assert decided(unknown).stands


def test_an_interval_is_the_shortest_of_all_that_apply() -> None:
    other = (
        NICK_RULE.replace('"NICK"', '"LONG"')
        .replace('"depth"', '"length"')
        .replace("300", "900")
        .replace("250", "40")
    )
    both = nick(0.4, sizes={"depth": Size(0.4, 0.002), "length": Size(0.4, 0.01)})
    verdict = decided(both, entries=NICK_RULE + other)
    assert verdict.interval is not None
    assert (verdict.interval.cycles, verdict.interval.hours) == (300, 40)


def test_a_rule_without_an_interval_leaves_none_where_it_acts() -> None:
    other = NICK_RULE.replace('"NICK"', '"LONG"').replace('"depth"', '"length"')
    other = other.replace("interval = {cycles = 300, hours = 250}\n", "")
    both = nick(0.4, sizes={"depth": Size(0.4, 0.002), "length": Size(0.4, 0.01)})
    assert decided(both, entries=NICK_RULE + other).interval is None
    short = nick(0.4, sizes={"depth": Size(0.4, 0.002), "length": Size(0.1, 0.01)})
    assert decided(short, entries=NICK_RULE + other).interval is not None


def test_a_book_without_an_interval_gives_none() -> None:
    verdict = decided(nick(0.4), entries=NICK_RULE.replace("interval = {cycles = 300, hours = 250}\n", ""))
    assert verdict.outcome == "inspect_again"
    assert verdict.interval is None


def test_what_must_come_out_soon_says_within_what() -> None:
    soon = NICK_RULE + "remove_within = {cycles = 50}\n"
    verdict = decided(nick(0.95), entries=soon)
    assert verdict.interval is not None
    assert verdict.interval.cycles == 50
    crack = '[[never]]\nid = "X"\npart = "compressor 3 blade"\nkind = "edge_nick"\nzone = "fillet"\n'
    assert (
        decided(
            nick(0.95, zone="fillet"), entries=soon.replace("kind =", 'zone = "tip"\nkind =', 1) + crack
        ).interval
        is None
    )


@pytest.mark.parametrize(
    ("case", "words"),
    [
        (
            nick(0.1, sizes={"depth": Size(0.1, 0.01, not_included=("calibration",))}),
            "leaves out: calibration",
        ),
        (nick(0.1, sizes={"depth": Size(0.1, 0.0)}), "states no uncertainty"),
        (nick(0.1, doubts=("the head is not known",)), "the head is not known"),
    ],
)
def test_every_doubt_makes_an_outcome_provisional(case, words: str) -> None:  # type: ignore[no-untyped-def]  # noqa: ANN001
    verdict = decided(case)
    assert verdict.outcome == "serviceable"
    assert any(words in one for one in verdict.provisional)


def test_a_book_that_nobody_checked_makes_every_outcome_provisional() -> None:
    book = book_of(NICK_RULE, HEAD.replace('checked_by = "reviewer B"\n', ""))
    verdict = decide_damage(judge(book), [nick(0.1)])
    assert "no second person" in verdict.provisional[0]


def test_another_rule_than_the_books_is_a_marked_what_if() -> None:
    rule = decision_rule(DecisionDocument(rule="simple acceptance"), what_if=True)
    verdict = decide_damage(judge_of(rule=rule), [nick(0.25)])
    assert verdict.outcome == "serviceable"
    assert "another rule than the book's" in verdict.provisional[0]
    assert "not to be signed" in verdict.provisional[0]


def test_the_technicians_zone_chooses_the_rule() -> None:
    assert decided(nick(0.3, zone="Outer"), entries=ZONES).outcome == "serviceable"
    assert decided(nick(0.3, zone="inner"), entries=ZONES).outcome == "reject"


@pytest.mark.parametrize("zone", ["", "outer part"])
def test_a_zone_that_is_unknown_gets_the_rules_of_all_zones_and_a_doubt(zone: str) -> None:
    verdict = decided(nick(0.3, zone=zone), entries=ZONES)
    assert verdict.outcome == "reject"
    assert not verdict.stands
    small = decided(nick(0.05, zone=zone), entries=ZONES)
    assert small.outcome == "serviceable"
    assert not small.stands


def test_a_zone_that_agrees_with_what_was_measured_stands() -> None:
    verdict = decided(nick(0.3, zone="outer"), entries=ZONES, surroundings=from_tip(10.0, 12.0))
    assert verdict.outcome == "serviceable"
    assert verdict.stands


def test_a_zone_that_contradicts_what_was_measured_is_told_and_the_stricter_applies() -> None:
    verdict = decided(nick(0.3, zone="outer"), entries=ZONES, surroundings=from_tip(25.0))
    assert verdict.outcome == "reject"
    assert any("check the zone" in one for one in verdict.provisional)


@pytest.mark.parametrize("distances", [(20.0,), (20.15,), (19.85,), (18.0, 21.0)])
def test_on_or_across_a_boundary_the_stricter_zone_applies(distances: tuple[float, ...]) -> None:
    for zone in ("outer", "inner"):
        verdict = decided(nick(0.3, zone=zone), entries=ZONES, surroundings=from_tip(*distances))
        assert verdict.outcome == "reject", zone
        assert any("boundary" in one for one in verdict.said)


def test_a_technician_can_name_the_boundary_itself() -> None:
    assert decided(nick(0.3, zone="outer / inner"), entries=ZONES).outcome == "reject"


def test_agreeing_measurements_of_one_damage_are_combined() -> None:
    one, other = nick(0.238, 0.008, "F1", damage="D1"), nick(0.241, 0.008, "F2", damage="D1")
    assert decided(one).outcome == "not_decided"
    both = decided(one, other)
    assert both.outcome == "serviceable"
    assert any("2 measurements agree" in words for words in both.said)


def test_measurements_that_do_not_agree_count_by_the_worst() -> None:
    one, other = nick(0.24, 0.004, "F1", damage="D1"), nick(0.40, 0.004, "F2", damage="D1")
    assert decided(one, other).outcome == "inspect_again"


def test_what_two_measurements_share_is_not_averaged_out() -> None:
    sizes = {"depth": Size(0.240, 0.008, shared_uncertainty=0.0079)}
    one, other = (
        nick(0, identity="F1", damage="D", sizes=sizes),
        nick(0, identity="F2", damage="D", sizes=sizes),
    )
    assert decided(one, other).outcome == "not_decided"


def test_a_measurement_is_left_out_with_its_reason_only() -> None:
    one, other = nick(0.24, 0.004, "F1", damage="D1"), nick(0.40, 0.004, "F2", damage="D1")
    verdict = decided(one, other, left_out={"F2": "the probe slipped"})
    assert verdict.outcome == "serviceable"
    assert "F2 is left out: the probe slipped." in verdict.said
    with pytest.raises(ValueError, match="reason"):
        decided(one, other, left_out={"F2": " "})
    nothing = decided(one, left_out={"F1": "the probe slipped"})
    assert nothing.outcome == "not_measured"


def test_a_look_at_part_of_a_damage_counts_where_it_contradicts_the_whole() -> None:
    whole = nick(0.20, 0.004, "F1", damage="D1")
    part = nick(0, identity="F2", damage="D1", sizes={"depth": Size(0.15, 0.004, bound="at_least")})
    assert decided(whole, part).outcome == "serviceable"
    larger = replace(part, sizes={"depth": Size(0.30, 0.004, bound="at_least")})
    assert decided(whole, larger).bounds.worst == "reject"


def test_findings_of_one_damage_in_different_zones_get_the_stricter() -> None:
    one, other = nick(0.3, zone="outer", damage="D"), nick(0.3, identity="F2", zone="inner", damage="D")
    verdict = decided(one, other, entries=ZONES)
    assert verdict.outcome == "reject"
    assert any("different zones" in words for words in verdict.provisional)


BLEND_RULE = NICK_RULE + (
    "blend = {length_to_depth = 8.0, depth_max = 1.2, extra_removal = 0.1, radius_min = 6.0, "
    'chord_min = 24.0, crack_check = "dye penetrant, task 5"}\n'
)


def test_a_finished_blend_is_accepted_by_the_limits_of_the_blend() -> None:
    sizes = {"depth": Size(1.0, 0.01), "radius_least": Size(7.0, 0.1), "length_to_depth": Size(9.0, 0.1)}
    blend = nick(0, kind="blend", identity="B1", damage="D1", sizes=sizes)
    chord = Surroundings({"D1": {"chord": (Size(25.0, 0.05),)}})
    good = decided(blend, entries=BLEND_RULE, surroundings=chord)
    assert good.outcome == "serviceable"
    assert good.stands
    thin = decided(
        blend, entries=BLEND_RULE, surroundings=Surroundings({"D1": {"chord": (Size(23.0, 0.05),)}})
    )
    assert thin.outcome == "reject"
    assert not decided(blend, entries=BLEND_RULE).stands
    sharp = replace(blend, sizes={**sizes, "radius_least": Size(5.0, 0.1)})
    assert decided(sharp, entries=BLEND_RULE, surroundings=chord).outcome == "reject"
    unchecked = replace(blend, tear_or_crack="not known")
    assert "checked for cracks" in decided(unchecked, entries=BLEND_RULE, surroundings=chord).provisional[0]


def test_part_names_match_without_regard_to_capitals_and_spaces() -> None:
    assert decided(nick(0.1, part=PART.upper().replace(" ", "  "))).outcome == "serviceable"
