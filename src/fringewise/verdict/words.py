"""Words of verdicts: outcomes, intervals, limits in the book's own unit, and the cautions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from fringewise.verdict.documents import DecisionDocument, IntervalDocument, Outcome

CAUTION: Final = (
    "Decision support. It releases nothing. The manual in its revision in force, the operator's procedure "
    "and the licensed person decide."
)
CRACK_CAUTION: Final = "Visible length; the crack may be longer."

OUTCOME_WORDS: Final[Mapping[Outcome, str]] = {
    "serviceable": "serviceable",
    "inspect_again": "inspect again",
    "blend": "may be blended",
    "reject": "reject",
    "not_decided": "not decided",
    "not_measured": "not measured",
    "no_rule": "no rule: refer",
}
"""Each outcome as it is spoken."""


def interval_words(interval: IntervalDocument) -> str:
    """Write an interval.

    Examples
    --------
    >>> interval_words(IntervalDocument(cycles=300.0, hours=250.0))
    '300 cycles or 250 hours, whichever comes first'
    """
    stated = [
        f"{value:g} {name[:-1] if value == 1 else name}"
        for name in ("cycles", "hours", "days")
        if (value := getattr(interval, name)) is not None
    ]
    return stated[0] if len(stated) == 1 else f"{' or '.join(stated)}, whichever comes first"


def decision_words(decision: DecisionDocument) -> str:
    """Write a decision rule with its numbers.

    Examples
    --------
    >>> decision_words(DecisionDocument(rule="ISO 14253-1:2017"))
    'ISO 14253-1:2017, conformance probability 0.95'
    >>> decision_words(DecisionDocument(rule="guard band k U", k=1.0))
    'guard band k U with k = 1 (ILAC-G8:09/2019)'
    """
    if decision.rule == "ISO 14253-1:2017":
        return "ISO 14253-1:2017, conformance probability 0.95"
    if decision.rule == "guard band k U":
        return f"guard band k U with k = {decision.k:g} (ILAC-G8:09/2019)"
    if decision.rule == "conformance probability p":
        return f"conformance probability p = {decision.p:g} (JCGM 106:2012)"
    return "simple acceptance (ILAC-G8:09/2019): the doubt is not weighed"
