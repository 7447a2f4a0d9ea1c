"""Each way of spoiling a limits book gives one clear message: its line, its rule and what to do."""

from __future__ import annotations

import copy
import json
import re
import time
import tomllib
from collections.abc import Iterator
from typing import Any, Final

import pytest
from document_examples import LIMITS_TOML
from limits_books import json_of

from fringewise.core.errors import InputRefused, Problem
from fringewise.verdict.book_reading import parse_limits

EXTRA_RULE: Final = """
[[rule]]
id = "C3-DENT"
part = "compressor 3 blade"
zone = "{zone}"
kind = "{kind}"
quantity = "{quantity}"
unit = "{unit}"
{limits}
"""
EXTRA_ZONE: Final = """
[[zone]]
name = "{name}"
part = "compressor 3 blade"
unit = "{unit}"
{reach}
from_tip = [0.0, 22.0]
"""
LAST: Final = re.compile(r"last |\[\[")
COUNTED: Final = (
    'per_blade_max = 3\nspacing_min = 6.0\nsum_max = {quantity = "length", per_blade = 8.0}\n'
    "adjacent_allowed = false\ndamaged_blades_per_stage_max = 6\n"
)
OUTER: Final = "leading edge, outer two thirds"


def rule(
    limits: str, kind: str = "dent", quantity: str = "depth", unit: str = "mm", zone: str = "any"
) -> str:
    return EXTRA_RULE.format(limits=limits, kind=kind, quantity=quantity, unit=unit, zone=zone)


def zone(reach: str, name: str = "leading edge, inner", unit: str = "mm") -> str:
    return EXTRA_ZONE.format(reach=reach, name=name, unit=unit)


def changed(old: str, new: str) -> str:
    assert LIMITS_TOML.count(old) == 1, old
    return LIMITS_TOML.replace(old, new)


SPOILT: Final[dict[str, tuple[str, str, str]]] = {
    # what is wrong: the text, where the message points (text on that line), what it says
    "no title": (
        changed('title  = "Invented limits of the demo engine"', ""),
        "",
        "title: must be given; add it",
    ),
    "no unit": (
        changed('unit = "mm"\nserviceable_up_to', "serviceable_up_to"),
        '[[rule]]\nid = "C3-LE-NICK"',
        "unit: must be given",
    ),
    "unknown kind": (changed('"edge_nick"', '"nick"'), 'kind = "nick"', "must be one of dent"),
    "unknown quantity": (
        changed('"gap_least"', '"gap_lest"'),
        '"gap_lest"',
        "has no such quantity; write one of",
    ),
    "number as text": (
        changed("= 0.25", '= "0.25"'),
        '"0.25"',
        "must be a number; write it without quotation",
    ),
    "negative limit": (changed("= 0.25", "= -0.25"), "-0.25", "must be 0 or more; compare it"),
    "unit unknown": (
        changed('unit = "mm"\nserviceable_up_to', 'unit = "inch"\nserviceable_up_to'),
        '"inch"',
        "must be one of 'mm' or 'in'",
    ),
    "steps fall": (
        changed("inspect_again_up_to = 0.50", "inspect_again_up_to = 0.05"),
        "= 0.05",
        "must not be less than serviceable_up_to",
    ),
    "blend below": (
        changed("blend_up_to         = 0.90", "blend_up_to = 0.40"),
        "= 0.40",
        "must not be less than inspect_again_up_to",
    ),
    "lower steps fall": (
        changed("inspect_again_from = 0.20", "inspect_again_from = 0.40"),
        "serviceable_from = 0.30",
        "must not be less than inspect_again_from",
    ),
    "no limit": (LIMITS_TOML + rule(""), '[[rule]]\nid = "C3-DENT"', "must state a limit"),
    "mistyped field": (
        changed("serviceable_up_to   = 0.25", "servicable_up_to = 0.25"),
        "servicable",
        "looks like serviceable_up_to; write serviceable_up_to",
    ),
    "mistyped field inside": (
        changed("radius_min = 6.0", "radius_mim = 6.0"),
        "radius_mim",
        "looks like radius_min; write radius_min",
    ),
    "id twice": (
        changed('id = "C3-CLEARANCE"', 'id = "C3-LE-NICK"'),
        'id = "C3-LE-NICK"\npart = "compressor 3 blade"\nzone = "tip"',
        "must be unique",
    ),
    "contradiction": (
        LIMITS_TOML + rule("serviceable_up_to = 0.3", "edge_nick", zone=OUTER),
        '[[rule]]\nid = "C3-DENT"',
        'contradicts rule "C3-LE-NICK"',
    ),
    "said twice": (
        LIMITS_TOML
        + rule("serviceable_from = 0.30\ninspect_again_from = 0.20", "clearance", "gap_least", zone="tip"),
        '[[rule]]\nid = "C3-DENT"',
        'says the same as rule "C3-CLEARANCE"',
    ),
    "never and a rule": (
        LIMITS_TOML + rule("serviceable_up_to = 0.3", "crack", "length"),
        '[[rule]]\nid = "C3-DENT"',
        'allows what "C3-CRACK" never allows',
    ),
    "inches as millimetres": (
        LIMITS_TOML
        + rule("serviceable_up_to = 0.254", "clearance", "gap_least", zone="root")
        + rule("serviceable_up_to = 0.01", "clearance", "gap_least", zone="mid").replace("C3-DENT", "C3-MID"),
        "serviceable_up_to = 0.01",
        'differs from that of rule "C3-DENT" by 25.4 times',
    ),
    "limit far too small": (
        LIMITS_TOML + rule("serviceable_up_to = 0.003"),
        "= 0.003",
        "too small for a limit",
    ),
    "limit far too large": (
        LIMITS_TOML + rule("serviceable_up_to = 30.0", unit="in"),
        "= 30.0",
        "too large for a limit",
    ),
    "wrong side": (
        LIMITS_TOML + rule("serviceable_from = 0.3"),
        "serviceable_from = 0.3\n",
        "of a dent depth, more is worse; write serviceable_up_to",
    ),
    "wrong side of a radius": (
        LIMITS_TOML + rule("serviceable_up_to = 6.0", "blend", "radius_least"),
        "last = 6.0\n",
        "less is worse; write serviceable_from",
    ),
    "no size serviceable": (
        changed("serviceable_from = 0.30", "serviceable_from = 0.30\nserviceable_up_to = 0.25"),
        "serviceable_from = 0.30",
        "no size would be serviceable",
    ),
    "interval without step": (
        changed("inspect_again_up_to = 0.50\n", ""),
        "interval =",
        "an interval needs a step",
    ),
    "empty interval": (
        changed("{cycles = 300, hours = 250}", "{}"),
        "interval =",
        "must state cycles, hours or days",
    ),
    "blend limits without step": (
        changed("blend_up_to         = 0.90\n", ""),
        "[rule.blend]",
        "limits of a blend need blend_up_to",
    ),
    "blend too shallow": (
        changed("depth_max = 1.2", "depth_max = 0.95"),
        "depth_max",
        "must not be less than blend_up_to with the extra removal (1)",
    ),
    "more on a blade than a stage": (
        changed("per_stage_max = 10", "per_stage_max = 1"),
        "per_blade_max = 2",
        "must not be more than per_stage_max",
    ),
    "zone falls": (
        changed("[0.0, 3.0]", "[3.0, 0.0]"),
        "[3.0, 0.0]",
        "must rise; write the nearer distance first",
    ),
    "zone of one number": (
        changed("[0.0, 3.0]", "3.0"),
        "from_leading_edge",
        "must be a list; write it in square brackets",
    ),
    "zone twice": (
        LIMITS_TOML + zone("from_leading_edge = [0.0, 3.0]", OUTER),
        f'last name = "{OUTER}"',
        "must stand once for its part",
    ),
    "zone without place": (
        LIMITS_TOML + zone("").replace("from_tip = [0.0, 22.0]\n", ""),
        "[[zone]]",
        "must say where the zone lies",
    ),
    "gap between zones": (
        LIMITS_TOML + zone("from_leading_edge = [3.5, 9.0]"),
        "[3.5, 9.0]",
        "leaves a gap from 3 to 3.5 mm",
    ),
    "zones overlap": (LIMITS_TOML + zone("from_leading_edge = [2.5, 9.0]"), "[2.5, 9.0]", "from 2.5 to 3 mm"),
    "mistyped zone": (
        LIMITS_TOML + rule("serviceable_up_to = 0.3", zone="leading edge, outer two thrids"),
        "thrids",
        "mistyped; write the same zone alike",
    ),
    "mistyped part": (
        changed(
            'id = "C3-CRACK"\npart = "compressor 3 blade"', 'id = "C3-CRACK"\npart = "compresor 3 blade"'
        ),
        "compresor",
        'looks like "compressor 3 blade" mistyped',
    ),
    "count of nothing": (
        changed(
            COUNTED,
            "",
        ),
        "[[count]]",
        "must state what is allowed",
    ),
    "count without unit": (
        changed('zone = "any"\nunit = "mm"\nper_blade_max', 'zone = "any"\nper_blade_max'),
        "[[count]]",
        "unit: must be given where there is a length",
    ),
    "count changes nothing": (
        changed('exceeded = "reject"', 'exceeded = "serviceable"'),
        "exceeded",
        "the count would change nothing",
    ),
    "sum of an unknown quantity": (
        changed('{quantity = "length", per_blade', '{quantity = "radius", per_blade'),
        "sum_max",
        "a dent has no such quantity",
    ),
    "half a blade": (changed("per_blade_max = 3", "per_blade_max = 3.5"), "3.5", "must be a whole number"),
    "k without guard band": (
        changed("decision = {rule", "decision = {k = 1.0, rule"),
        "decision",
        'goes with "guard band k U" only',
    ),
    "guard band without k": (
        changed("ISO 14253-1:2017", "guard band k U"),
        "decision",
        "k: must be given for a guard band",
    ),
    "probability of a half": (
        changed('{rule = "ISO 14253-1:2017"', '{p = 0.5, rule = "conformance probability p"'),
        "decision",
        "must be greater than 0.5",
    ),
    "unknown decision rule": (changed("ISO 14253-1:2017", "rule of thumb"), "decision", "must be one of"),
    "checked by the same": (
        changed('"reviewer B"', '"technician A"'),
        "checked_by",
        "must be a second person",
    ),
    "not TOML": (
        changed("serviceable_from = 0.30", "serviceable_from = 0,30"),
        "",
        "must be TOML; it goes wrong",
    ),
    "other version": (
        changed("fringewise.limits/1", "fringewise.limits/2"),
        "format",
        "does not know version 2",
    ),
    "observation measured": (
        LIMITS_TOML + rule("serviceable_up_to = 0.3", "observation"),
        'last quantity = "depth"',
        "is not measured and has no quantity; enter it as [[never]]",
    ),
}


def problems(text: str, *, toml: bool = True) -> tuple[Problem, ...]:
    with pytest.raises(InputRefused) as refused:
        parse_limits(text.encode(), "limits.toml", toml=toml)
    return refused.value.problems


@pytest.mark.parametrize("name", SPOILT)
def test_a_broken_book_gives_one_clear_message(name: str) -> None:
    text, sign, words = SPOILT[name]
    found = problems(text)
    assert len(found) == 1, [str(one) for one in found]
    assert words in str(found[0])
    assert "; " in found[0].rule, "a remedy"
    if sign:
        stated = re.search(r", line (\d+)$", found[0].where)
        assert stated is not None, found[0].where
        at = text.rindex(sign.removeprefix("last ")) if LAST.match(sign) else text.index(sign)
        assert int(stated[1]) == text[:at].count("\n") + 1


def test_there_are_thirty_broken_books_or_more() -> None:
    assert len(SPOILT) >= 30


def test_several_faults_are_told_at_once_in_the_order_of_the_lines() -> None:
    text = LIMITS_TOML.replace("= 0.25", '= "0.25"').replace('"gap_least"', '"gap"').replace("3.0]", "-3.0]")
    found = problems(text)
    lines = [int(one.where.rsplit(" ", 1)[1]) for one in found]
    assert len(found) == 3
    assert lines == sorted(lines)
    assert 'rule "C3-CLEARANCE", quantity' in str(found[2])


@pytest.mark.parametrize("name", ["unknown quantity", "negative limit", "steps fall", "gap between zones"])
def test_a_book_in_json_is_told_with_its_lines_as_well(name: str) -> None:
    text = json_of(SPOILT[name][0])
    found = problems(text, toml=False)
    assert len(found) == 1
    line = int(found[0].where.rsplit(" ", 1)[1])
    field = found[0].field.rsplit(", ", 1)[1]
    assert f'"{field}"' in text.splitlines()[line - 1]


def test_a_unit_that_was_confirmed_is_no_slip() -> None:
    text = LIMITS_TOML + rule("unit_confirmed = true\nserviceable_up_to = 0.003")
    assert len(parse_limits(text.encode()).rules) == 3


def test_zones_that_stand_as_two_are_no_slip() -> None:
    text = LIMITS_TOML + zone("from_leading_edge = [3.0, 9.0]", "leading edge, outer two thrids")
    assert len(parse_limits(text.encode()).zones) == 2


WRONG: Final[tuple[Any, ...]] = (
    None,
    0,
    -1.5,
    1e300,
    True,
    "",
    " ",
    "x" * 600,
    [],
    {},
    [1],
    [[0.0]],
    {"a": 1},
)


def places(value: Any, above: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, below in steps:
        yield (*above, step)
        yield from places(below, (*above, step))


def test_no_wrong_value_anywhere_is_more_than_refused() -> None:
    sound = tomllib.loads(LIMITS_TOML)
    refused = 0
    for place in places(sound):
        for wrong in WRONG:
            spoilt = copy.deepcopy(sound)
            spot = spoilt
            for step in place[:-1]:
                spot = spot[step]
            spot[place[-1]] = wrong
            found = told(spoilt)
            refused += bool(found)
            assert all("; " in one.rule for one in found)
    assert refused > 500


def told(book: Any) -> tuple[Problem, ...]:
    try:
        parse_limits(json.dumps(book).encode(), "limits.json", toml=False)
    except InputRefused as refused:
        return refused.problems
    return ()


def test_a_book_of_thousands_of_rules_is_read_in_seconds() -> None:
    head = LIMITS_TOML.split("[[zone]]")[0]
    many = "".join(
        f'[[rule]]\nid = "R{n}"\npart = "part {n % 50}"\nzone = "zone {n // 50}"\nkind = "dent"\n'
        f'quantity = "depth"\nunit = "mm"\nserviceable_up_to = {0.1 + (n % 7) / 100}\n'
        for n in range(2000)
    )
    started = time.process_time()
    assert len(parse_limits((head + many).encode()).rules) == 2000
    assert time.process_time() - started < 10
