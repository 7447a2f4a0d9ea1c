"""``fringewise decide``: results, a limits book and what is known of the equipment become verdicts."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, Final

import pytest
from command import Done, run_command
from document_examples import EXAMPLES, LIMITS_TOML, WORKCARD_TOML
from verdict_results import finding, quantity, results

from fringewise.core.documents import parse, to_json
from fringewise.files.limits import read_verdicts
from fringewise.findings.registry import measure_finding
from fringewise.findings.result_documents import ResultsDocument
from fringewise.verdict.book_reading import parse_limits
from fringewise.verdict.cases import SUSPECT, cases_of, surroundings_of
from fringewise.workflow.decide import Inspected, Verdicts, decide

BOOK: Final = parse_limits(LIMITS_TOML.encode())
NICK: Final = finding("F1", "edge_nick", quantity("depth", 0.2, 0.004))
VERIFIED: Final = {
    "format": "fringewise.verification/1",
    "head": "HX-07",
    "head_sha256": hashlib.sha256(to_json(EXAMPLES["head"])).hexdigest(),
    "block": "B-12",
    "done_at": "2026-03-14T07:55:00Z",
    "occasion": "fitted",
    "by": "technician A",
    "features": [
        {
            "finding": "L1",
            "quantity": "straight",
            "unit": "mm",
            "reading": 5.0,
            "expanded_uncertainty": 0.01,
            "error": 0.0,
            "e_n": 0.0,
            "test_value_uncertainty": 0.005,
            "permissible_error": 0.05,
            "passed": True,
        }
    ],
    "outcome": "passed",
}


def run(tmp_path: Path, *documents: dict[str, Any], options: tuple[str, ...] = ()) -> Done:
    (tmp_path / "limits.toml").write_text(LIMITS_TOML, encoding="utf-8")
    (tmp_path / "card.toml").write_text(WORKCARD_TOML, encoding="utf-8")
    (tmp_path / "head.json").write_bytes(to_json(EXAMPLES["head"]))
    (tmp_path / "before.json").write_bytes(to_json(VERIFIED))
    after = {**VERIFIED, "done_at": "2026-03-14T15:00:00Z", "occasion": "end of work"}
    (tmp_path / "after.json").write_bytes(to_json(after))
    names = []
    for n, document in enumerate(documents):
        path = tmp_path / f"results{n}.json"
        path.write_bytes(to_json(document))
        names.append(str(path))
    given = [str(tmp_path / one) if one.endswith((".toml", ".json")) else one for one in options]
    return run_command("decide", *names, "--limits", str(tmp_path / "limits.toml"), *given)


WHOLE: Final = (
    "--head", "head.json", "--verification", "before.json", "--verification", "after.json",
    "--card", "card.toml", "--seen", "compressor 3=1-36", "--out", "verdicts.json",
)  # fmt: skip


def decide_on(*documents: dict[str, Any], **more: Any) -> Verdicts:
    read = [parse(ResultsDocument, to_json(one), "results.json") for one in documents]
    named = tuple((f"look{n}", one) for n, one in enumerate(read))
    return decide(Inspected(named, **more), BOOK)


def test_a_small_nick_with_everything_known_is_within_limits(tmp_path: Path) -> None:
    done = run(tmp_path, results(NICK), options=WHOLE)
    assert done.status == 0, done.out + done.err
    assert "Engine: all findings within limits, 36 of 36 items seen." in done.out
    assert "does not stand yet" not in done.out
    read = read_verdicts(tmp_path / "verdicts.json")
    assert [(one.id, one.outcome, one.provisional) for one in read.findings] == [("F1", "serviceable", ())]
    assert read.limits.sha256 == BOOK.sha256
    assert read.caution is not None


@pytest.mark.parametrize("taken", ["--head", "--verification", "--card"])
def test_with_anything_unknown_the_status_is_1(tmp_path: Path, taken: str) -> None:
    at = WHOLE.index(taken)
    done = run(tmp_path, results(NICK), options=(*WHOLE[:at], *WHOLE[at + 2 :]))
    assert done.status == 1
    assert "does not stand yet" in done.out or "not decided" in done.out or "not known" in done.out


def test_the_stored_statement_names_finding_limit_and_rule(tmp_path: Path) -> None:
    run(tmp_path, results(finding("F1", "edge_nick", quantity("depth", 0.61, 0.004))), options=WHOLE)
    (verdict,) = read_verdicts(tmp_path / "verdicts.json").findings
    assert verdict.outcome == "blend"
    assert verdict.by is not None
    ground = verdict.by[0]
    assert (ground.rule, ground.boundary, ground.limit) == ("C3-LE-NICK", "blend_up_to", 0.90)
    assert ground.acceptance_limit == pytest.approx(0.8934, abs=5e-5)
    assert verdict.statement is not None
    for words in (
        "F1",
        "0.610 ± 0.008 mm",
        "0.9 mm",
        "table 601, line 4",
        "revision 4",
        "ISO 14253-1:2017",
        "0.95",
    ):
        assert words in verdict.statement


def test_lengths_are_printed_in_inches_where_asked(tmp_path: Path) -> None:
    done = run(tmp_path, results(NICK), options=(*WHOLE, "--unit", "in"))
    assert "0.0079 ± 0.0003 in" in done.out
    assert "serviceable_up_to 0.009843 in" in done.out


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("simple acceptance", "simple acceptance"),
        ("guard band 1 U", "k = 1"),
        ("conformance probability 0.99", "p = 0.99"),
        ("ISO 14253-1:2017", "ISO 14253-1:2017"),
    ],
)
def test_another_decision_rule_is_marked_and_never_stands(tmp_path: Path, rule: str, words: str) -> None:
    done = run(tmp_path, results(NICK), options=(*WHOLE, "--rule", rule))
    assert done.status == 1
    assert "what-if, not to be signed" in done.out
    assert words in done.out
    assert json.loads((tmp_path / "verdicts.json").read_text(encoding="utf-8"))["decision_rule"].startswith(
        "what-if"
    )


@pytest.mark.parametrize(
    "rule", ["guard band U", "conformance probability 0.4", "as usual", "guard band nan U"]
)
def test_an_unknown_decision_rule_is_refused(tmp_path: Path, rule: str) -> None:
    done = run(tmp_path, results(NICK), options=("--rule", rule))
    assert done.status == 2
    assert "must be one of ISO 14253-1:2017" in done.err


def test_results_of_a_head_without_covariance_need_a_verification_to_stand(tmp_path: Path) -> None:
    depth = quantity("depth", 0.15, 0.004, not_included=["calibration"])
    document = results(finding("F1", "edge_nick", depth))
    assert run(tmp_path, document, options=WHOLE).status == 0
    ground = read_verdicts(tmp_path / "verdicts.json").findings[0].by
    assert ground is not None
    assert ground[0].standard_uncertainty == pytest.approx((0.004**2 + 0.05**2 / 3) ** 0.5)
    without = tuple(one for one in WHOLE if one not in ("--verification", "before.json", "after.json"))
    done = run(tmp_path, document, options=without)
    assert "the uncertainty leaves out: calibration" in done.out


def test_a_measurement_is_left_out_by_name_with_its_reason(tmp_path: Path) -> None:
    twice = results(
        {**NICK, "damage": "D1"},
        {**finding("F2", "edge_nick", quantity("depth", 0.7, 0.004)), "damage": "D1"},
    )
    assert "worst one counts" in run(tmp_path, twice, options=WHOLE).out
    done = run(tmp_path, twice, options=(*WHOLE, "--leave-out", "F2=the probe slipped"))
    assert "F2 is left out: the probe slipped" in done.out
    assert done.status == 0
    assert run(tmp_path, twice, options=("--leave-out", "F9=why")).status == 2
    assert run(tmp_path, twice, options=("--leave-out", "F2=")).status == 2


def test_findings_of_several_captures_keep_their_names_apart() -> None:
    made = decide_on(results(NICK), results({**NICK, "item": "9"}))
    assert [one.case.identity for one in made.decided.damages] == ["look0:F1", "look1:F1"]


def test_a_stage_or_part_that_is_not_stated_comes_from_the_card(tmp_path: Path) -> None:
    no_stage = {name: value for name, value in NICK.items() if name != "stage"}
    no_part = {name: value for name, value in NICK.items() if name != "part"}
    for one in (no_stage, no_part):
        assert run(tmp_path, results(one), options=WHOLE).status == 0


@pytest.mark.parametrize(
    ("changed", "words"),
    [({"item": "37"}, "item 37 is not among"), ({"stage": "fan"}, "not on the work card")],
)
def test_what_the_card_does_not_have_is_doubted(tmp_path: Path, changed: dict[str, str], words: str) -> None:
    assert words in run(tmp_path, results({**NICK, **changed}), options=WHOLE).out


def test_a_capture_that_moved_is_suspect() -> None:
    moved = {**NICK, "warnings": ["the head or the part moved between the frames: hold still"]}
    made = decide_on(results(moved))
    assert any("moved" in one for one in made.decided.damages[0].provisional)
    from fringewise.findings import registry

    assert measure_finding is registry.measure_finding
    assert registry._MOVED.startswith(SUSPECT)


def test_a_capture_whose_movement_could_not_be_judged_is_suspect() -> None:
    from fringewise.findings import registry

    made = decide_on(results({**NICK, "warnings": [registry._MOTION_UNKNOWN]}))
    assert registry._MOTION_UNKNOWN in made.decided.damages[0].provisional


def test_measured_distances_place_damages_and_are_no_findings() -> None:
    distance = finding("P1", "distance", quantity("straight", 22.5, 0.1), damage="D1", note="From  tip")
    spacing = finding("P2", "path", quantity("length", 7.0, 0.1), note="spacing of D1 and D2")
    document = parse(ResultsDocument, to_json(results({**NICK, "damage": "D1"}, distance, spacing)), "x")
    assert [one.identity for one in cases_of(document)] == ["F1"]
    near = surroundings_of([document])
    assert near.places["7: D1"]["from_tip"][0].value == 22.5
    assert near.spacings[frozenset({"7: D1", "7: D2"})].value == 7.0
    made = decide_on(results({**NICK, "damage": "D1"}, distance))
    assert any("check the zone" in one for one in made.decided.damages[0].provisional)


def test_nothing_but_unmeasured_findings_is_acted_on_as_the_worst(tmp_path: Path) -> None:
    done = run(tmp_path, results(finding("F1", "edge_nick")), options=WHOLE)
    assert done.status == 1
    assert "not measured; until then act as: reject" in done.out


DEEP: Final = finding(
    "F1", "edge_nick", quantity("depth", 0.6, 0.004), quantity("length", 2.0, 0.02), damage="D1"
)
CHORD: Final = finding("P1", "distance", quantity("straight", 26.0, 0.05), damage="D1", note="chord")


def test_a_nick_that_may_be_blended_gets_a_plan_in_words_file_and_picture(tmp_path: Path) -> None:
    options = (*WHOLE, "--plans", str(tmp_path / "plans"))
    done = run(tmp_path, results(DEEP, CHORD), options=options)
    assert "Blend plan for F1: take away 0.71 mm at the deepest" in done.out
    assert "A plan for the licensed person, not an instruction." in done.out
    (verdict,) = read_verdicts(tmp_path / "verdicts.json").findings
    assert verdict.blend_plan is not None
    assert verdict.blend_plan.holds
    assert verdict.blend_plan.depth_mm == pytest.approx(0.6 + 0.008 + 0.1)
    assert (tmp_path / "plans" / "blend-plan-F1.png").read_bytes()[1:4] == b"PNG"


def test_without_a_chord_the_plan_says_why_there_is_none(tmp_path: Path) -> None:
    done = run(tmp_path, results(DEEP), options=WHOLE)
    assert "No blend plan: the chord there was not measured" in done.out


def test_an_open_case_says_what_would_decide_it(tmp_path: Path) -> None:
    near = quantity("depth", 0.24, 0.010)
    done = run(tmp_path, results(finding("F1", "edge_nick", near)), options=WHOLE)
    assert "Or: Take 4 times as many frames" in done.out
    (verdict,) = read_verdicts(tmp_path / "verdicts.json").findings
    assert verdict.outcome == "not_decided"
    assert verdict.act_as == "inspect_again"
    assert verdict.would_decide is not None
    assert verdict.would_decide.startswith("Move to 13.5 mm or nearer: then 0.25 mm can be decided.")


def test_an_earlier_inspection_shortens_the_interval_and_its_blends_count(tmp_path: Path) -> None:
    def nicked(depth: float) -> dict[str, Any]:
        return finding("F1", "edge_nick", quantity("depth", depth, 0.004), damage="D1")

    blends = [
        finding(f"B{n}", "blend", quantity("depth", 0.5, 0.01), damage=f"OLD{n}", note=None) for n in range(3)
    ]
    card = WORKCARD_TOML.replace("cycles = 2210", "cycles = 2110").replace("hours = 8120", "hours = 8000")
    (tmp_path / "earlier_card.toml").write_text(card, encoding="utf-8")
    (tmp_path / "earlier.json").write_bytes(to_json(results(nicked(0.30), *blends)))
    options = (*WHOLE, "--earlier", "earlier.json", "--earlier-card", "earlier_card.toml")
    done = run(tmp_path, results(nicked(0.40)), options=options)
    assert "half-life rule" in done.out
    read = read_verdicts(tmp_path / "verdicts.json")
    (verdict,) = read.findings
    assert verdict.outcome == "inspect_again"
    assert verdict.interval is not None
    assert verdict.interval.cycles is not None
    assert verdict.interval.cycles < 50
    assert verdict.interval.hours is not None
    assert verdict.interval.hours < 50
    assert read.counts is not None
    states = {(one.count, one.reach): one.state for one in read.counts}
    assert states["C3-LE-NICK, blends", "blade"] == "exceeded"
    missing = run(tmp_path, results(nicked(0.40)), options=("--earlier", "earlier.json"))
    assert missing.status == 2


def test_what_stands_in_and_every_warning_is_told_with_the_verdict(tmp_path: Path) -> None:
    depth = quantity("depth", 0.15, 0.004, not_included=["calibration"])
    document = results(finding("F1", "edge_nick", depth, warnings=["the light was low"]))
    done = run(tmp_path, document, options=WHOLE)
    assert "0.05 mm, stands in as a rectangular part." in done.out
    assert "the light was low" in done.out


def test_any_damage_does_not_mean_measures_that_are_none() -> None:
    gap = finding("G1", "clearance", quantity("gap_least", 0.5, 0.01), zone="tip")
    text = LIMITS_TOML.split('[[rule]]\nid = "C3-CLEARANCE"')[1]
    head = LIMITS_TOML.split("[[zone]]")[0]
    entries = text.replace('kind = "crack"', 'kind = "any"')
    made = parse_limits((head + '[[rule]]\nid = "C3-CLEARANCE"' + entries).encode())
    read = parse(ResultsDocument, to_json(results(gap, finding("F1", "dent"))), "x")
    decided = decide(Inspected((("look", read),)), made).decided
    assert [one.outcome for one in decided.damages] == ["serviceable", "reject"]


def test_a_damage_of_another_blade_with_the_same_name_is_another() -> None:
    far = finding("P1", "distance", quantity("straight", 30.0, 0.1), damage="D1", note="from tip", item="9")
    anywhere = finding(
        "P2", "distance", quantity("straight", 30.0, 0.1), damage="D1", note="from tip", item=None
    )
    nick = {**NICK, "damage": "D1"}
    assert not any(
        "check the zone" in one for one in decide_on(results(nick, far)).decided.damages[0].provisional
    )
    told = decide_on(results(nick, anywhere)).decided.damages[0].provisional
    assert any("check the zone" in one for one in told)


def test_two_findings_with_one_id_are_refused(tmp_path: Path) -> None:
    done = run(tmp_path, results(NICK, NICK))
    assert done.status == 2
    assert "each id must be unique in its file (found F1)" in done.err


@pytest.mark.parametrize("seen", ["compressor 3=1-37", "compressor 3=1-35,A4", "compressor 4=1-36"])
def test_items_that_the_card_does_not_have_are_not_taken_as_seen(tmp_path: Path, seen: str) -> None:
    options = [seen if one == "compressor 3=1-36" else one for one in WHOLE]
    done = run(tmp_path, results(NICK), options=tuple(options))
    assert done.status == 2
    assert done.err.startswith("--seen: compressor ")


def test_an_item_written_two_ways_is_seen_once(tmp_path: Path) -> None:
    options = ["compressor 3=1-35,07" if one == "compressor 3=1-36" else one for one in WHOLE]
    done = run(tmp_path, results(NICK), options=tuple(options))
    assert done.status == 1
    assert "35 of 36 items seen, 1 not seen" in done.out


def test_nothing_found_does_not_stand_under_another_rule_than_the_books(tmp_path: Path) -> None:
    done = run(tmp_path, results(), options=(*WHOLE, "--rule", "simple acceptance"))
    assert done.status == 1
    assert "Engine: provisional: Nothing found on what was seen; 36 of 36 items seen." in done.out


@pytest.mark.parametrize(("kind", "name", "unit"), [("edge_nick", "depth", "in"), ("dent", "area", "mm")])
def test_sizes_in_other_units_than_millimetres_are_refused(
    tmp_path: Path, kind: str, name: str, unit: str
) -> None:
    done = run(tmp_path, results(finding("F1", kind, quantity(name, 0.15, 0.004, unit))), options=WHOLE)
    assert done.status == 2
    assert f"F1, {name}: must be in mm" in done.err
    assert f"(found {unit})" in done.err


def test_the_same_results_given_twice_are_no_second_measurement(tmp_path: Path) -> None:
    once = results(finding("F1", "edge_nick", quantity("depth", 0.24, 0.01), damage="D1"))
    done = run(tmp_path, once, once, options=WHOLE)
    assert done.status == 2
    assert "they are one measurement" in done.err
