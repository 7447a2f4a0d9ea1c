"""From results, a limits book and what is known of the equipment to verdicts."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import combinations
from typing import Any, Final

from fringewise.core.documents import moment_of
from fringewise.core.errors import InputRefused, Problem, refuse
from fringewise.equipment.documents import VerificationDocument
from fringewise.findings.result_documents import ResultsDocument
from fringewise.record.documents import StageDocument, WorkCardDocument
from fringewise.verdict.blend_plan import BlendPlan, plan_blend
from fringewise.verdict.book import LimitsBook, plain_words, same_words
from fringewise.verdict.cases import Case, Surroundings, cases_of, surroundings_of
from fringewise.verdict.decision import DecisionRule, decision_rule
from fringewise.verdict.documents import DecisionDocument
from fringewise.verdict.groups import Decided, decide_all, stages_with_seen
from fringewise.verdict.grown import Clock, EarlierSize
from fringewise.verdict.growth import TimeUnit
from fringewise.verdict.judge import judge
from fringewise.verdict.output import verdicts_document
from fringewise.verdict.quantities import QUANTITIES
from fringewise.verdict.settling import settle_all
from fringewise.verdict.stages import StageSeen, stage_of
from fringewise.verdict.standing import HeadDates, standing, with_stand_in

_RULES: Final = "ISO 14253-1:2017, simple acceptance, guard band 1 U, or conformance probability 0.99"


@dataclass(frozen=True, slots=True)
class Earlier:
    """Results of an earlier inspection with its work card, which tells the engine's hours and cycles then."""

    results: ResultsDocument
    card: WorkCardDocument


@dataclass(frozen=True, slots=True)
class Inspected:
    """What is decided on.

    Attributes
    ----------
    results : tuple of (name, ResultsDocument)
        Of each capture, under a name that tells it from the others.
    card : WorkCardDocument, optional
    seen : mapping of str to tuple of str
        Items that were seen and have no finding, by stage.
    heads : tuple of HeadDates
    verifications : tuple of VerificationDocument
    left_out : mapping of str to str
        Measurements that don't count, by the finding's id, each with its reason.
    earlier : tuple of Earlier
    """

    results: tuple[tuple[str, ResultsDocument], ...]
    card: WorkCardDocument | None = None
    seen: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    heads: tuple[HeadDates, ...] = ()
    verifications: tuple[VerificationDocument, ...] = ()
    left_out: Mapping[str, str] = field(default_factory=dict)
    earlier: tuple[Earlier, ...] = ()


@dataclass(frozen=True, slots=True)
class Verdicts:
    """The verdicts, what would settle the open ones, blend plans, and their document (format 9)."""

    decided: Decided
    would_decide: Mapping[str, str]
    plans: tuple[BlendPlan, ...]
    document: Mapping[str, Any]


def decide(inspected: Inspected, book: LimitsBook, rule: DecisionRule | None = None) -> Verdicts:
    """Decide on all findings of an inspection by a limits book.

    Parameters
    ----------
    inspected : Inspected
    book : LimitsBook
    rule : DecisionRule, optional
        Another decision rule than the book's: a what-if that can't be signed.

    Raises
    ------
    InputRefused
        A measurement that is to be left out does not exist or has no reason.
    """
    stages = _stages(inspected.card)
    cases = [_on_card(one, stages) for one in _cases(inspected)]
    _refuse_left_out(inspected.left_out, cases)
    if stages:
        _refuse_seen(inspected.seen, stages)
    near = surroundings_of([document for _, document in inspected.results])
    seen = stages_with_seen(stages, cases, inspected.seen)
    made, now = judge(book, rule), _clock(inspected.card)
    decided = decide_all(made, cases, near, seen, inspected.left_out, _earlier(inspected, stages), now)
    nearest = {one.serial: one.nearest_mm for one in inspected.heads if one.nearest_mm is not None}
    settled = settle_all(made, decided.damages, nearest)
    plans = _plans(decided, near, seen)
    return Verdicts(decided, settled, plans, verdicts_document(decided, settled, plans))


def rule_from_words(words: str) -> DecisionRule:
    """Make a what-if rule from how it is written on the command line.

    Examples
    --------
    >>> rule_from_words("guard band 1 U").words
    'what-if, not to be signed: guard band k U with k = 1 (ILAC-G8:09/2019)'
    """
    plain = plain_words(words)
    number = _number(plain)
    if plain in ("iso", "iso 14253-1", "iso 14253-1:2017"):
        return decision_rule(DecisionDocument(rule="ISO 14253-1:2017"), what_if=True)
    if plain == "simple acceptance":
        return decision_rule(DecisionDocument(rule="simple acceptance"), what_if=True)
    if plain.startswith("guard band") and number is not None and 0 <= number <= 10:
        return decision_rule(DecisionDocument(rule="guard band k U", k=number), what_if=True)
    if plain.startswith("conformance probability") and number is not None and 0.5 < number < 1:
        return decision_rule(DecisionDocument(rule="conformance probability p", p=number), what_if=True)
    raise refuse("--rule", "", f"must be one of {_RULES}", words)


def _number(words: str) -> float | None:
    for word in words.split():
        try:
            value = float(word)
        except ValueError:
            continue
        return value if math.isfinite(value) else None
    return None


def _cases(inspected: Inspected) -> list[Case]:
    """Make the cases of all captures, each with what speaks against its capture."""
    _refuse_doubled(inspected.results)
    _refuse_repeated([document for _, document in inspected.results])
    _refuse_units([*inspected.results, *(("earlier", one.results) for one in inspected.earlier)])
    ids = [one.id for _, document in inspected.results for one in document.findings]
    alone = len(set(ids)) == len(ids)
    found: list[Case] = []
    for name, document in inspected.results:
        stands = standing(
            document.capture.head or "", _captured_at(document), inspected.heads, inspected.verifications
        )
        cases = cases_of(document, prefix="" if alone else f"{name}:", doubts=stands.doubts)
        found += [_stood_in(one, stands.permissible_error_mm) for one in cases]
    return found


def _refuse_doubled(results: Sequence[tuple[str, ResultsDocument]]) -> None:
    """Refuse results in which two findings have one id: they would count as one."""
    problems = []
    for name, document in results:
        met = Counter(one.id for one in document.findings)
        doubled = [one for one, times in met.items() if times > 1]
        problems += [Problem(name, "findings", "each id must be unique in its file", one) for one in doubled]
    if problems:
        raise InputRefused(problems)


def _refuse_repeated(documents: Sequence[ResultsDocument]) -> None:
    """Refuse the same results given twice: one measurement would count as two that agree."""
    if any(one == other for one, other in combinations(documents, 2)):
        raise refuse("RESULTS", "", "the same results must not be given twice: they are one measurement")


def _refuse_units(results: Sequence[tuple[str, ResultsDocument]]) -> None:
    """Refuse lengths, areas and volumes that are not in millimetres: format 5 has no other unit."""
    problems = [
        Problem(name, f"{one.id}, {quantity.name}", f"must be in {known.unit()}", quantity.unit)
        for name, document in results
        for one in document.findings
        for quantity in one.quantities or ()
        if (known := QUANTITIES.get(one.kind, {}).get(quantity.name)) is not None
        and known.dimension
        and quantity.unit != known.unit()
    ]
    if problems:
        raise InputRefused(problems)


def _plans(decided: Decided, near: Surroundings, stages: Sequence[StageSeen]) -> tuple[BlendPlan, ...]:
    """Plan the blend of each damage that may be blended."""
    plans = [plan_blend(one, decided.damages, stages, near.of(one.case)) for one in decided.damages]
    return tuple(one for one in plans if one is not None)


def _earlier(inspected: Inspected, stages: Sequence[StageSeen]) -> tuple[EarlierSize, ...]:
    """Take the findings of earlier inspections, each with the engine's hours and cycles then."""
    return tuple(
        EarlierSize(_clock(one.card), _on_card(case, stages))
        for one in inspected.earlier
        for case in cases_of(one.results)
    )


def _clock(card: WorkCardDocument | None) -> Clock:
    if card is None:
        return {}
    stated: dict[TimeUnit, float | None] = {"hours": card.engine.hours, "cycles": card.engine.cycles}
    return {unit: value for unit, value in stated.items() if value is not None}


def _captured_at(document: ResultsDocument) -> datetime | None:
    return None if document.capture.captured_at is None else moment_of(document.capture.captured_at)


def _stood_in(case: Case, permissible_error_mm: float | None) -> Case:
    """Let the verification stand in for the calibration's part where that is left out; it is told."""
    known = QUANTITIES.get(case.kind, {})
    lengths = {name for name, quantity in known.items() if quantity.dimension == 1}
    sizes = {
        name: with_stand_in(size, name in lengths, permissible_error_mm) for name, size in case.sizes.items()
    }
    if sizes == dict(case.sizes):
        return case
    told = (
        f"The head's calibration states no covariance: the permissible error of its block, "
        f"{permissible_error_mm:g} mm, stands in as a rectangular part."
    )
    return replace(case, sizes=sizes, said=(*case.said, told))


def _stages(card: WorkCardDocument | None) -> tuple[StageSeen, ...]:
    return tuple(_stage(one) for one in card.stage) if card is not None else ()


def _stage(stage: StageDocument) -> StageSeen:
    return StageSeen(stage.name, stage.part, stage.items, stage.item)


def _on_card(case: Case, stages: Sequence[StageSeen]) -> Case:
    """Fill in a part from its stage, or a stage from its part; doubt an item that the card does not have."""
    named = [one for one in stages if case.stage and same_words(one.name, case.stage)]
    if named and not case.part:
        case = replace(case, part=named[0].part)
    of_part = stage_of(stages, case.blade[:2])
    if of_part is None:
        doubts = ("its stage is not on the work card",) if stages else ()
        return replace(case, doubts=(*case.doubts, *doubts))
    doubts = ()
    if case.item.isdecimal() and not 1 <= int(case.item) <= of_part.items:
        doubts = (f"item {case.item} is not among the {of_part.items} of the work card",)
    return replace(case, stage=of_part.name, doubts=(*case.doubts, *doubts))


def _refuse_seen(seen: Mapping[str, tuple[str, ...]], stages: Sequence[StageSeen]) -> None:
    """Refuse items as seen that the card does not have: they would hide as many that were not seen."""
    problems = []
    for name, items in seen.items():
        stage = next((one for one in stages if same_words(one.name, name)), None)
        if stage is None:
            known = ", ".join(one.name for one in stages)
            problems.append(Problem("--seen", name, "must be a stage of the work card", known))
            continue
        wrong = [one for one in items if not (one.isdecimal() and 1 <= int(one) <= stage.items)]
        rule = f"must name items from 1 to {stage.items}, as 1-12,15"
        problems += [Problem("--seen", name, rule, one) for one in wrong[:10]]
    if problems:
        raise InputRefused(problems)


def _refuse_left_out(left_out: Mapping[str, str], cases: Sequence[Case]) -> None:
    known = {one.identity for one in cases}
    problems = [
        Problem("--leave-out", name, "must be a finding of the results", ", ".join(sorted(known)[:10]))
        for name in left_out
        if name not in known
    ]
    problems += [
        Problem("--leave-out", name, "must have its reason, which the report prints: ID=REASON")
        for name, reason in left_out.items()
        if not reason.strip()
    ]
    if problems:
        raise InputRefused(problems)
