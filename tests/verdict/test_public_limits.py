"""Public limits of regulators' manuals, entered as a limits book and applied, values at the limits included.

US Army TM 55-2840-251-23, pages 2-17 (compressor-turbine blades) and 2-23 (first-stage compressor), and
TM 55-2840-241-23, pages 7-4.1 and section 7-24: public release. What has no kind of finding is left out. They
stand here to test the program; they are no limits for use.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import pytest
from limits_books import book_of

from fringewise.verdict.book_words import book_lines
from fringewise.verdict.cases import Case, Surroundings
from fringewise.verdict.deciding import decide_damage
from fringewise.verdict.groups import decide_all
from fringewise.verdict.judge import Judge, judge
from fringewise.verdict.sizes import Size
from fringewise.verdict.stages import StageSeen

TURBINE: Final = "compressor-turbine blade"
COMPRESSOR: Final = "first-stage compressor blade"
OTHER: Final = "compressor blade"


def rule(identity: str, part: str, zone: str, kind: str, quantity: str, limit: str, source: str) -> str:
    return (
        f'[[rule]]\nid = "{identity}"\npart = "{part}"\nzone = "{zone}"\nkind = "{kind}"\n'
        f'quantity = "{quantity}"\nunit = "in"\n{limit}\nsource = "{source}"\n'
    )


def never(identity: str, part: str, kind: str, zone: str, source: str) -> str:
    head = f'[[never]]\nid = "{identity}"\npart = "{part}"\n'
    return head + f'kind = "{kind}"\nzone = "{zone}"\nsource = "{source}"\n'


def count(identity: str, zone: str, most: int) -> str:
    head = f'[[count]]\nid = "{identity}"\npart = "{TURBINE}"\n'
    return head + f'kind = "any"\nzone = "{zone}"\nper_blade_max = {most}\n'


P217: Final = "TM 55-2840-251-23, p. 2-17"
P223: Final = "TM 55-2840-251-23, p. 2-23"
P741: Final = "TM 55-2840-241-23, p. 7-4.1"
DEPTHS: Final = (
    ("Area A", "0.003"),
    ("Area B", "0.003"),
    ("leading edge", "0.010"),
    ("trailing edge", "0.010"),
)
BOOK: Final = "".join(
    [
        rule("SHIFT", TURBINE, "any", "offset", "offset", "serviceable_up_to = 0.010", P217),
        rule("SQUEALER", TURBINE, "tip", "step", "step", "serviceable_from = 0.008", P217),
        *(
            rule(f"{kind} {zone}", TURBINE, zone, kind, "depth", f"serviceable_up_to = {limit}", P217)
            for zone, limit in DEPTHS
            for kind in ("edge_nick", "dent")
        ),
        count("COUNT A", "Area A", 3),
        count("COUNT B", "Area B", 1),
        count("COUNT LE", "leading edge", 1),
        never("CRACK", TURBINE, "crack", "any", P217),
        never("FILLET", TURBINE, "any", "fillet", P217),
        rule("EROSION", COMPRESSOR, "narrow chord", "area", "width", "serviceable_up_to = 0.100", P223),
        rule("LE NICK", COMPRESSOR, "wide chord", "edge_nick", "depth", "serviceable_up_to = 0.030", P223),
        f'[[zone]]\nname = "near the fillet"\npart = "{COMPRESSOR}"\nunit = "in"\nfrom_root = [0.0, 0.050]\n',
        f'[[zone]]\nname = "wide chord"\npart = "{COMPRESSOR}"\nunit = "in"\nfrom_root = [0.050, 4.0]\n',
        never("ROOT", COMPRESSOR, "any", "near the fillet", P223),
        never("CRACKED", OTHER, "crack", "any", P741),
        never("LOWER THIRD", OTHER, "edge_nick", "lower third", P741),
        never("TIP LOSS", OTHER, "tip_loss", "inner four fifths", P741),
    ]
)


@pytest.fixture(scope="module")
def made() -> Judge:
    return judge(book_of(BOOK))


def case(part: str, kind: str, zone: str, **sizes: Any) -> Case:
    measured = {name: size if isinstance(size, Size) else Size(size, 0.0005) for name, size in sizes.items()}
    return Case("F1", kind, part, item="7", zone=zone, sizes=measured, tear_or_crack="no")


# Inches to millimetres, recomputed: 0.003, 0.008, 0.010, 0.030, 0.100 in.
@pytest.mark.parametrize(
    ("part", "kind", "zone", "quantity", "limit_mm", "more"),
    [
        (TURBINE, "offset", "tip", "offset", 0.254, True),
        (TURBINE, "step", "tip", "step", 0.2032, False),
        (TURBINE, "edge_nick", "Area A", "depth", 0.0762, True),
        (TURBINE, "dent", "Area B", "depth", 0.0762, True),
        (TURBINE, "edge_nick", "leading edge", "depth", 0.254, True),
        (TURBINE, "dent", "trailing edge", "depth", 0.254, True),
        (COMPRESSOR, "area", "narrow chord", "width", 2.54, True),
        (COMPRESSOR, "edge_nick", "wide chord", "depth", 0.762, True),
    ],
)
def test_each_limit_is_applied_in_inches_at_its_boundary(
    made: Judge, part: str, kind: str, zone: str, quantity: str, limit_mm: float, more: bool
) -> None:
    sign = 1.0 if more else -1.0
    u = 0.0005
    for steps, outcome in (
        (-2.0, "serviceable"),
        (-1.6449, "serviceable"),
        (0.0, "not_decided"),
        (2.0, "reject"),
    ):
        size = Size(limit_mm + sign * steps * u, u)
        assert decide_damage(made, [case(part, kind, zone, **{quantity: size})]).outcome == outcome, steps
    exactly = decide_damage(made, [case(part, kind, zone, **{quantity: Size(limit_mm, 0.0)})])
    assert exactly.outcome == "serviceable"
    assert not exactly.stands, "a size without doubt is none"


@pytest.mark.parametrize(
    ("part", "kind", "zone"),
    [
        (TURBINE, "crack", "Area A"),
        (TURBINE, "dent", "fillet"),
        (TURBINE, "edge_nick", "fillet"),
        (COMPRESSOR, "edge_nick", "near the fillet"),
        (OTHER, "crack", ""),
        (OTHER, "edge_nick", "lower third"),
        (OTHER, "tip_loss", "inner four fifths"),
    ],
)
def test_what_the_manual_does_not_permit_is_rejected_whatever_its_size(
    made: Judge, part: str, kind: str, zone: str
) -> None:
    assert decide_damage(made, [case(part, kind, zone, depth=0.001, length=0.001)]).outcome == "reject"
    assert decide_damage(made, [case(part, kind, zone)]).outcome == "reject"


def test_damage_within_0_050_in_of_the_fillet_is_found_by_its_distance(made: Judge) -> None:
    for distance, outcome in ((1.0, "reject"), (1.27, "reject"), (2.0, "serviceable")):
        near = Surroundings({"F1": {"from_root": (Size(distance, 0.01),)}})
        nick = case(COMPRESSOR, "edge_nick", "wide chord", depth=0.3)
        assert decide_damage(made, [nick], near).outcome == outcome


@pytest.mark.parametrize(
    ("zone", "number", "outcome"),
    [
        ("Area A", 3, "serviceable"),
        ("Area A", 4, "reject"),
        ("Area B", 1, "serviceable"),
        ("Area B", 2, "reject"),
    ],
)
def test_how_many_are_allowed_in_each_area(made: Judge, zone: str, number: int, outcome: str) -> None:
    kinds: Sequence[str] = ("dent", "edge_nick")
    cases = [
        Case(
            f"F{n}",
            kinds[n % 2],
            TURBINE,
            item="7",
            zone=zone,
            sizes={"depth": Size(0.05, 0.001)},
            tear_or_crack="no",
        )
        for n in range(number)
    ]
    decided = decide_all(made, cases, stages=(StageSeen("turbine", TURBINE, 58),))
    assert {one.outcome for one in decided.damages} == {outcome}


def test_what_the_book_does_not_speak_of_is_referred(made: Judge) -> None:
    assert decide_damage(made, [case(TURBINE, "gouge", "Area A", depth=0.001)]).outcome == "no_rule"
    assert decide_damage(made, [case(OTHER, "edge_nick", "", depth=0.001)]).outcome == "reject"
    assert decide_damage(made, [case(OTHER, "dent", "lower third", depth=0.001)]).outcome == "no_rule"


def test_the_book_is_written_out_in_the_inches_of_the_manual(made: Judge) -> None:
    text = "\n".join(book_lines(made.book))
    for words in ("up to 0.003 in", "above 0.01 in", "from 0.008 in", "below 0.008 in", P217, P223, P741):
        assert words in text
