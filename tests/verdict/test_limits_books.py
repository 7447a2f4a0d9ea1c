"""A limits book is read, written out for comparison, and held against a newer one."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from command import run_command
from document_examples import LIMITS_TOML
from hypothesis import given
from hypothesis import strategies as st
from limits_books import HEAD, book_of, json_of

from fringewise.core.errors import InputRefused
from fringewise.verdict.book import ladders
from fringewise.verdict.book_changes import OpenFinding, book_changes, touched
from fringewise.verdict.book_reading import parse_limits
from fringewise.verdict.book_words import book_lines
from fringewise.verdict.lines import json_lines, line_of, toml_lines

TRICKY = """# [[rule]] in a comment
title = 'a # no comment' # a comment with = and [
text = \"\"\"
[[rule]]
id = "not one"
\"\"\"
"quoted name" = 1
dotted.name = 2
list = [
  [1, 2],   # ]
  {a = 1},
]
[[rule]]
id = "A"
interval = {cycles = 3, hours = 4}
[rule.blend]
depth_max = 1.0
  [[ rule ]]
id = "]"
[ decision ]
k = 1
"""


def test_lines_of_a_text_full_of_traps_are_right() -> None:
    tomllib.loads(TRICKY)
    lines = toml_lines(TRICKY)
    rows = TRICKY.splitlines()
    for place, sign in [
        ("title", "title"),
        ("quoted name", '"quoted name"'),
        ("dotted.name", "dotted"),
        ("list[1].a", "{a = 1}"),
        ("rule[0]", "[[rule]]"),
        ("rule[0].interval.hours", "interval"),
        ("rule[0].blend.depth_max", "depth_max"),
        ("rule[1]", "[[ rule ]]"),
        ("rule[1].id", 'id = "]"'),
        ("decision.k", "k = 1"),
    ]:
        assert sign in rows[lines[place] - 1], place
    assert line_of(lines, "rule[1].unit") == lines["rule[1]"]
    assert line_of(lines, "nothing") is None


@given(st.text(max_size=300))
def test_the_scan_of_lines_ends_on_any_text(text: str) -> None:
    toml_lines(text)
    json_lines(text)


def test_a_book_in_json_says_the_same_as_in_toml() -> None:
    toml = parse_limits(LIMITS_TOML.encode())
    json = parse_limits(json_of(LIMITS_TOML).encode(), toml=False)
    assert json.document == toml.document
    assert set(toml.lines) <= set(json.lines)


def test_an_inch_is_25_4_millimetres_and_an_area_its_square() -> None:
    rule = '[[rule]]\nid = "A"\npart = "b"\nkind = "dent"\nquantity = "{}"\nunit = "in"\n'
    rule += "serviceable_up_to = 0.03\n"
    depth, area = (ladders(book_of(rule.format(name)).rules[0])[0] for name in ("depth", "area"))
    assert depth.steps[0].limit == pytest.approx(0.762, abs=1e-12)
    assert area.steps[0].limit == pytest.approx(0.03 * 645.16, abs=1e-9)


@pytest.mark.parametrize(
    ("head", "why"),
    [
        (HEAD, ""),
        (HEAD.replace('checked_by = "reviewer B"\n', ""), "no second person"),
        (HEAD.replace('entered_by = "technician A"\n', ""), "does not say who entered it"),
        (HEAD.replace("reviewer B", "Technician  a"), "checked by the person who entered it"),
    ],
)
def test_a_book_is_in_force_after_a_second_person_only(head: str, why: str) -> None:
    book = book_of("", head)
    assert book.in_force == (why == "")
    assert why in book.why_not_in_force


def test_every_number_of_a_book_is_written_out_in_its_own_unit() -> None:
    text = "\n".join(
        book_lines(
            parse_limits(
                LIMITS_TOML.replace('unit = "mm"\nserviceable_up', 'unit = "in"\nserviceable_up').encode()
            )
        )
    )
    for words in (
        "up to 0.25 in",
        "above 0.25 in, up to 0.5 in",
        "above 0.9 in",
        "reject",
        "300 cycles or 250 hours",
    ):
        assert words in text
    for number in (
        "0.3 mm",
        "0.2 mm",
        "at most 3",
        "at least 6 mm",
        "at most 8 mm",
        "24 in",
        "radius at least 6 in",
    ):
        assert number in text
    assert "a crack is never allowed" in text


def test_each_change_between_two_books_is_told_and_touches_what_it_bears_on() -> None:
    old = parse_limits(LIMITS_TOML.encode())
    new = parse_limits(
        LIMITS_TOML.replace("= 0.25", "= 0.20")
        .replace("length_to_depth = 8.0", "length_to_depth = 10.0")
        .encode()
    )
    changes = book_changes(old, new)
    assert [one.entry for one in changes] == ["rule C3-LE-NICK"]
    assert changes[0].says == ("serviceable_up_to: 0.25 -> 0.2", "blend.length_to_depth: 8 -> 10")
    nick = OpenFinding("F1", "edge_nick", "Compressor 3 blade", "leading edge, outer two thirds")
    elsewhere = OpenFinding("F2", "edge_nick", "compressor 3 blade", "tip")
    dent = OpenFinding("F3", "dent", "compressor 3 blade", "leading edge, outer two thirds")
    nowhere = OpenFinding("F4", "edge_nick")
    assert touched(changes, [nick, elsewhere, dent, nowhere]) == (nick, nowhere)


def test_a_rule_taken_out_and_one_put_in_are_told() -> None:
    rule = '[[never]]\nid = "{}"\npart = "b"\nkind = "crack"\n'
    changes = book_changes(book_of(rule.format("OLD")), book_of(rule.format("NEW")))
    assert [(one.change, one.entry) for one in changes] == [("gone", "never OLD"), ("new", "never NEW")]
    assert touched(changes, [OpenFinding("F1", "edge_nick", "b", tear_or_crack=True)])


def test_a_rule_that_moves_to_another_kind_touches_both() -> None:
    rule = '[[never]]\nid = "X"\npart = "b"\nkind = "{}"\n'
    changes = book_changes(book_of(rule.format("crack")), book_of(rule.format("hole")))
    crack, hole, dent = (OpenFinding(kind, kind, "b") for kind in ("crack", "hole", "dent"))
    assert touched(changes, [crack, hole, dent]) == (crack, hole)


def test_the_command_prints_a_book_and_what_changed(tmp_path: Path) -> None:
    old, new = tmp_path / "old.toml", tmp_path / "new.json"
    old.write_text(LIMITS_TOML, encoding="utf-8")
    new.write_text(json_of(LIMITS_TOML.replace("= 0.25", "= 0.2")), encoding="utf-8")
    shown = run_command("limits", str(old))
    assert shown.status == 0
    assert "[ ] C3-LE-NICK: depth of an edge nick" in shown.out
    changed = run_command("limits", str(old), str(new))
    assert "serviceable_up_to: 0.25 -> 0.2" in changed.out


def test_the_command_says_that_a_book_is_not_in_force(tmp_path: Path) -> None:
    book = tmp_path / "limits.toml"
    book.write_text(HEAD.replace('checked_by = "reviewer B"\n', ""), encoding="utf-8")
    shown = run_command("limits", str(book))
    assert shown.status == 1
    assert "In force    no" in shown.out


def test_the_command_names_open_findings_that_a_change_touches(tmp_path: Path) -> None:
    from document_examples import EXAMPLES

    from fringewise.core.documents import to_json

    old, new, results = tmp_path / "old.toml", tmp_path / "new.toml", tmp_path / "results.json"
    old.write_text(LIMITS_TOML, encoding="utf-8")
    new.write_text(LIMITS_TOML.replace('"crack"', '"hole"'), encoding="utf-8")
    results.write_bytes(to_json(EXAMPLES["results"]))
    shown = run_command("limits", str(old), str(new), "--open", str(results))
    assert "touched, decide again: F2 (crack)" in shown.out
    alone = run_command("limits", str(old), "--open", str(results))
    assert alone.status == 2


def test_a_broken_book_on_the_command_line_is_refused_with_its_line(tmp_path: Path) -> None:
    book = tmp_path / "limits.toml"
    book.write_text(LIMITS_TOML.replace("gap_least", "gap"), encoding="utf-8")
    shown = run_command("limits", str(book))
    assert shown.status == 2
    assert ", line 45: " in shown.err
    with pytest.raises(InputRefused):
        parse_limits(b"\xff")
