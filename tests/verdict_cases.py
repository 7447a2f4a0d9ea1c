"""Findings for tests of verdicts: sound ones, from which a test takes away or spoils what it is about."""

from __future__ import annotations

from typing import Any, Final

from limits_books import book_of

from fringewise.verdict.book import Ladder, Step
from fringewise.verdict.cases import Case
from fringewise.verdict.deciding import DamageVerdict, decide_damage
from fringewise.verdict.decision import DecisionRule, decision_rule
from fringewise.verdict.documents import DecisionDocument
from fringewise.verdict.judge import Judge, judge
from fringewise.verdict.sizes import Size

ISO: Final = decision_rule(DecisionDocument(rule="ISO 14253-1:2017"))
SIMPLE: Final = decision_rule(DecisionDocument(rule="simple acceptance"))
PART: Final = "compressor 3 blade"

NICK_RULE: Final = """
[[rule]]
id = "NICK"
part = "compressor 3 blade"
kind = "edge_nick"
quantity = "depth"
unit = "mm"
serviceable_up_to = 0.25
inspect_again_up_to = 0.50
interval = {cycles = 300, hours = 250}
blend_up_to = 0.90
source = "table 601, line 4"
"""


def upper(*limits: float) -> Ladder:
    """Boundaries from serviceable on, more being worse."""
    names = (
        Step("serviceable_up_to", 0.0, "serviceable"),
        Step("inspect_again_up_to", 0.0, "inspect_again"),
        Step("blend_up_to", 0.0, "blend"),
    )
    return Ladder(
        "more",
        tuple(Step(one.boundary, x, one.within) for one, x in zip(names, limits, strict=False)),
    )


def lower(*limits: float) -> Ladder:
    """Boundaries from serviceable on, less being worse."""
    names = (Step("serviceable_from", 0.0, "serviceable"), Step("inspect_again_from", 0.0, "inspect_again"))
    return Ladder(
        "less",
        tuple(Step(one.boundary, x, one.within) for one, x in zip(names, limits, strict=False)),
    )


def nick(depth: float, u: float = 0.004, identity: str = "F1", **changes: Any) -> Case:
    """Give an edge nick whose outcome stands by itself."""
    stated: dict[str, Any] = {
        "identity": identity,
        "kind": "edge_nick",
        "part": PART,
        "item": "7",
        "tear_or_crack": "no",
        "sizes": {"depth": Size(depth, u)},
    }
    return Case(**(stated | changes))


def judge_of(entries: str = NICK_RULE, rule: DecisionRule | None = None) -> Judge:
    """Make a book of entries ready for deciding."""
    return judge(book_of(entries), rule)


def decided(*cases: Case, entries: str = NICK_RULE, **more: Any) -> DamageVerdict:
    """Decide on one damage by a book of entries."""
    return decide_damage(judge_of(entries), cases, **more)
