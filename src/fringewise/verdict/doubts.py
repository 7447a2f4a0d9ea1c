"""What bars an outcome from standing: book, captures, zone, sizes, and cracks that nobody asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from fringewise.findings.finding import Answer
from fringewise.verdict.book import is_any, same_words
from fringewise.verdict.cases import Case
from fringewise.verdict.documents import NeverDocument, RuleDocument
from fringewise.verdict.judge import Judge, matches
from fringewise.verdict.quantities import CRACKED_KINDS, covers
from fringewise.verdict.sizes import Size
from fringewise.verdict.zones import Placement

_DAMAGE_KINDS: Final = frozenset(
    {"dent", "gouge", "edge_nick", "edge_bend", "corner_loss", "tip_loss", "blend", "hole"}
)


def outer_doubts(made: Judge, cases: Sequence[Case]) -> list[str]:
    """Give what bars any outcome: the book, the decision rule, the captures."""
    doubts = [made.book.why_not_in_force] if made.book.why_not_in_force else []
    if made.rule.what_if:
        doubts.append(f"decided under another rule than the book's ({made.rule.words})")
    return [*doubts, *(doubt for case in cases for doubt in case.doubts)]


def zone_doubts(made: Judge, case: Case, kinds: set[str], placement: Placement) -> tuple[str, ...]:
    """Give the doubts about the zone, where some entry for such damage on this part asks for a zone."""
    entries: tuple[RuleDocument | NeverDocument, ...] = (*made.rules, *made.book.nevers)
    asks = any(
        not is_any(one.zone) and same_words(one.part, case.part) and any(covers(one.kind, k) for k in kinds)
        for one in entries
    )
    return placement.doubts if asks else ()


def size_doubts(sizes: Sequence[Size]) -> Iterator[str]:
    """Give what bars an outcome in the sizes that it rests on."""
    for size in sizes:
        yield from (f"the uncertainty leaves out: {part}" for part in size.not_included)
        if size.standard_uncertainty == 0:
            yield "the size states no uncertainty"


def crack_doubts(made: Judge, cases: Sequence[Case], placement: Placement) -> Iterator[str]:
    """Ask for cracks where the book has a rule for them and nobody has answered."""
    case = cases[0]
    if crack_answer(cases) != "not known" or case.kind not in _DAMAGE_KINDS:
        return
    entries: tuple[RuleDocument | NeverDocument, ...] = (*made.rules, *made.book.nevers)
    if case.kind == "blend":
        yield "whether the finished blend was checked for cracks is not stated (tear_or_crack)"
    elif any(one.kind in CRACKED_KINDS and matches(one, case, placement) for one in entries):
        yield "whether it is torn or cracked is not stated (tear_or_crack)"


def crack_answer(cases: Sequence[Case]) -> Answer:
    """Put together whether a damage is torn or cracked: one yes is enough."""
    answers = {one.tear_or_crack for one in cases}
    return "yes" if "yes" in answers else "no" if "no" in answers else "not known"
