"""A limits book made ready for deciding, and which of its entries speak of a finding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fringewise.verdict.book import Ladder, LimitsBook, ladders, same_words
from fringewise.verdict.cases import Case
from fringewise.verdict.decision import DecisionRule, decision_rule
from fringewise.verdict.documents import NeverDocument, RuleDocument
from fringewise.verdict.implied import with_blend_rules
from fringewise.verdict.zones import Placement


@dataclass(frozen=True, slots=True)
class Judge:
    """A limits book made ready for deciding, under one decision rule.

    Attributes
    ----------
    book : LimitsBook
    rule : DecisionRule
    rules : tuple of RuleDocument
        The book's own and what its limits of blends imply.
    ladders : mapping of str to tuple of Ladder
        Of each rule, by its id.
    """

    book: LimitsBook
    rule: DecisionRule
    rules: tuple[RuleDocument, ...]
    ladders: Mapping[str, tuple[Ladder, ...]]


def judge(book: LimitsBook, rule: DecisionRule | None = None) -> Judge:
    """Make a book ready for deciding, under its own decision rule or as a what-if under another."""
    rules = with_blend_rules(book.rules)
    own = decision_rule(book.decision)
    return Judge(book, rule or own, rules, {one.id: ladders(one) for one in rules})


def matches(entry: RuleDocument | NeverDocument, case: Case, placement: Placement) -> bool:
    """Say whether an entry speaks of the part and the zone of a finding."""
    return same_words(entry.part, case.part) and placement.may_lie_in(entry.zone)
