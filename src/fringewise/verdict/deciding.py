"""Deciding on one damage: every rule that matches it applies, and the strictest wins."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from fringewise.findings.finding import Answer
from fringewise.verdict.book import Ladder, LimitsBook, Step, is_any, ladders, same_words
from fringewise.verdict.cases import Case, Surroundings
from fringewise.verdict.decision import (
    Bounds,
    DecisionRule,
    Ground,
    Subject,
    decision_rule,
    ladder_bounds,
    ladder_grounds,
    strictest,
)
from fringewise.verdict.documents import IntervalDocument, NeverDocument, Outcome, RuleDocument
from fringewise.verdict.implied import with_blend_rules
from fringewise.verdict.quantities import CRACKED_KINDS, QUANTITIES, kind_words, quantity_rule
from fringewise.verdict.repeats import join
from fringewise.verdict.sizes import Size
from fringewise.verdict.zones import Placement, place

UNKNOWN: Final = Bounds("serviceable", "reject")
NEVER: Final = Bounds("reject", "reject")

_DAMAGE_KINDS: Final = frozenset(
    {"dent", "gouge", "edge_nick", "edge_bend", "corner_loss", "tip_loss", "blend", "hole"}
)


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


@dataclass(frozen=True, slots=True)
class DamageVerdict:
    """What the book says of one damage, however many findings mark it.

    Attributes
    ----------
    cases : tuple of Case
    bounds : Bounds
        The mildest and the worst class still possible.
    grounds : tuple of Ground
    placement : Placement
    wants : frozenset of str
        ``no_rule`` and ``not_measured``, where they hold.
    provisional : tuple of str
        Every reason why the outcome does not stand yet.
    said : tuple of str
        What else is to be told.
    interval : IntervalDocument, optional
        Until the next look, or until the removal of what is rejected.
    rules : tuple of RuleDocument
        Those that applied.
    """

    cases: tuple[Case, ...]
    bounds: Bounds
    grounds: tuple[Ground, ...] = ()
    placement: Placement = field(default_factory=Placement)
    wants: frozenset[str] = frozenset()
    provisional: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    interval: IntervalDocument | None = None
    rules: tuple[RuleDocument, ...] = ()

    @property
    def outcome(self) -> Outcome:
        """Format 9's outcome."""
        if self.bounds.decided is not None:
            return self.bounds.decided
        if "no_rule" in self.wants:
            return "no_rule"
        return "not_measured" if "not_measured" in self.wants else "not_decided"

    @property
    def case(self) -> Case:
        """The first finding that marks it."""
        return self.cases[0]

    @property
    def stands(self) -> bool:
        """Whether the outcome stands without more."""
        return not self.provisional


def judge(book: LimitsBook, rule: DecisionRule | None = None) -> Judge:
    """Make a book ready for deciding, under its own decision rule or as a what-if under another."""
    rules = with_blend_rules(book.rules)
    own = decision_rule(book.decision)
    return Judge(book, rule or own, rules, {one.id: ladders(one) for one in rules})


def decide_damage(
    made: Judge,
    cases: Sequence[Case],
    surroundings: Surroundings | None = None,
    left_out: Mapping[str, str] | None = None,
) -> DamageVerdict:
    """Decide on one damage from all findings that mark it in the same way.

    Parameters
    ----------
    made : Judge
    cases : sequence of Case
    surroundings : Surroundings, optional
        Where damages lie, as measured.
    left_out : mapping of str to str, optional
        Measurements that don't count, by id, each with the reason, which is printed.

    Raises
    ------
    ValueError
        There is no case, or a measurement is left out without a reason.
    """
    left_out = {} if left_out is None else left_out
    if not cases or any(not reason.strip() for reason in left_out.values()):
        raise ValueError("there must be a finding, and a reason for each measurement left out")
    counted = [one for one in cases if one.identity not in left_out]
    said = [f"{one.identity} is left out: {left_out[one.identity]}" for one in cases if one not in counted]
    unknown = _unknown_part(made.book, cases[0].part)
    if unknown:
        wants, grounds = frozenset({"no_rule"}), (Ground("", UNKNOWN, words=unknown),)
        reasons = (*_doubts(made, counted or cases), unknown)
        return DamageVerdict(tuple(cases), UNKNOWN, grounds, Placement(), wants, reasons, tuple(said))
    return _decided(made, tuple(cases), counted, surroundings or Surroundings(), said)


def _decided(
    made: Judge, cases: tuple[Case, ...], counted: Sequence[Case], near: Surroundings, said: list[str]
) -> DamageVerdict:
    case = cases[0]
    places = near.places.get(case.damage or case.identity, {})
    placement = _placement(made.book, cases, places)
    kinds = {case.kind} | (CRACKED_KINDS if _answer(cases) == "yes" else set())
    applied = [one for one in made.rules if one.kind in kinds and _matches(one, case, placement)]
    nevers = [
        one for one in made.book.nevers if one.kind in (*kinds, "any") and _matches(one, case, placement)
    ]
    grounds = [_never_ground(one) for one in nevers]
    used: list[Size] = []
    for rule in applied:
        grounds += _rule_grounds(made, rule, counted, used, said)
    doubts = list(_chord(made, applied, case, places, grounds))
    wants = _wants(kinds, applied, nevers, counted)
    bounds = strictest([*(one.bounds for one in grounds), *([UNKNOWN] if wants else [])])
    provisional = [
        *_doubts(made, counted or cases),
        *_zone_doubts(made, case, kinds, placement),
        *_size_doubts(used),
        *doubts,
        *_crack_doubts(made, cases, placement),
    ]
    return DamageVerdict(
        cases,
        bounds,
        tuple(dict.fromkeys(grounds)),
        placement,
        wants,
        tuple(dict.fromkeys(provisional)),
        tuple(dict.fromkeys([*said, *placement.said])),
        _interval(bounds, applied, grounds),
        tuple(applied),
    )


def _unknown_part(book: LimitsBook, part: str) -> str:
    if not part:
        return "the part is not stated: no rule can be chosen"
    if not any(same_words(part, one) for one in book.parts):
        known = ", ".join(dict.fromkeys(book.parts)) or "no part"
        return f'the limits book says nothing of the part "{part}" (it speaks of {known})'
    return ""


def _placement(book: LimitsBook, cases: Sequence[Case], places: Mapping[str, Sequence[Size]]) -> Placement:
    """Put together where the findings of one damage may lie."""
    found = [place(book, cases[0].part, word, places) for word in dict.fromkeys(one.zone for one in cases)]
    if len(found) == 1:
        return found[0]
    every = [one.zones for one in found]
    zones = None if any(one is None for one in every) else frozenset().union(*(one for one in every if one))
    said = [words for one in found for words in one.said]
    doubts = [words for one in found for words in one.doubts]
    doubts.append("its findings name different zones: the stricter one applies")
    return Placement(zones, False, tuple(dict.fromkeys(said)), tuple(dict.fromkeys(doubts)))


def _matches(entry: RuleDocument | NeverDocument, case: Case, placement: Placement) -> bool:
    return same_words(entry.part, case.part) and placement.may_lie_in(entry.zone)


def _never_ground(never: NeverDocument) -> Ground:
    words = f"{kind_words(never.kind)} is never allowed"
    return Ground(never.id, NEVER, source=never.source or "", words=words)


def _rule_grounds(
    made: Judge, rule: RuleDocument, counted: Sequence[Case], used: list[Size], said: list[str]
) -> list[Ground]:
    """Give what one rule says, boundary by boundary; the sizes that it used are added to `used`."""
    quantity = quantity_rule(rule.kind, rule.quantity)
    about = Subject(rule.id, rule.quantity, quantity.unit(), rule.source or "")
    own = [one for one in counted if one.kind == rule.kind]
    joined = join([one.sizes[rule.quantity] for one in own if rule.quantity in one.sizes])
    if not joined.candidates:
        words = f"{quantity.words} of {kind_words(rule.kind)} was not measured"
        return [
            Ground(rule.id, UNKNOWN, rule.quantity, quantity.unit(), source=rule.source or "", words=words)
        ]
    if joined.words:
        said.append(f"{quantity.words.capitalize()}: {joined.words}.")
    used += joined.candidates
    found: list[tuple[Ground, ...]] = []
    for size in joined.candidates:
        for ladder in made.ladders[rule.id]:
            bounds = ladder_bounds(size, ladder, made.rule)
            found.append(ladder_grounds(about, size, ladder, made.rule, bounds))
    return [ground for grounds in found for ground in grounds]


def _chord(
    made: Judge,
    applied: Sequence[RuleDocument],
    case: Case,
    places: Mapping[str, Sequence[Size]],
    grounds: list[Ground],
) -> Iterator[str]:
    """Hold what a finished blend leaves of the chord against the book; grounds are added, doubts given."""
    if case.kind != "blend":
        return
    ids = {one.id.split(", blend ")[0] for one in applied}
    for rule in made.book.rules:
        least = None if rule.blend is None else rule.blend.chord_min
        if least is None or rule.id not in ids:
            continue
        limit = quantity_rule("blend", "depth").in_millimetres(least, rule.unit)
        ladder = Ladder("less", (Step("serviceable_from", limit, "serviceable"),))
        about = Subject(f"{rule.id}, blend chord_min", "chord", "mm", rule.source or "")
        for chord in places.get("chord", ()):
            bounds = ladder_bounds(chord, ladder, made.rule)
            grounds += ladder_grounds(about, chord, ladder, made.rule, bounds)
            yield from _size_doubts([chord])
        if not places.get("chord"):
            yield "the chord left at the blend was not measured"


def _wants(
    kinds: set[str], applied: Sequence[RuleDocument], nevers: Sequence[NeverDocument], counted: Sequence[Case]
) -> frozenset[str]:
    """Say what is wanting: a rule for one of the kinds, or any measurement."""
    wants = set()
    for kind in kinds:
        ruled = any(one.kind == kind for one in applied) or any(one.kind in (kind, "any") for one in nevers)
        if not ruled:
            wants.add("no_rule")
    if not any(one.sizes for one in counted) and any(QUANTITIES.get(kind) for kind in kinds):
        wants.add("not_measured")
    return frozenset(wants)


def _doubts(made: Judge, cases: Sequence[Case]) -> list[str]:
    """Give what bars any outcome: the book, the decision rule, the captures."""
    doubts = [made.book.why_not_in_force] if made.book.why_not_in_force else []
    if made.rule.what_if:
        doubts.append(f"decided under another rule than the book's ({made.rule.words})")
    return [*doubts, *(doubt for case in cases for doubt in case.doubts)]


def _zone_doubts(made: Judge, case: Case, kinds: set[str], placement: Placement) -> tuple[str, ...]:
    """Give the doubts about the zone, where some entry for such damage on this part asks for a zone."""
    entries: tuple[RuleDocument | NeverDocument, ...] = (*made.rules, *made.book.nevers)
    asks = any(
        not is_any(one.zone) and one.kind in (*kinds, "any") and same_words(one.part, case.part)
        for one in entries
    )
    return placement.doubts if asks else ()


def _size_doubts(sizes: Sequence[Size]) -> Iterator[str]:
    for size in sizes:
        yield from (f"the uncertainty leaves out: {part}" for part in size.not_included)
        if size.standard_uncertainty == 0:
            yield "the size states no uncertainty"


def _crack_doubts(made: Judge, cases: Sequence[Case], placement: Placement) -> Iterator[str]:
    """Ask for cracks where the book has a rule for them and nobody has answered."""
    case = cases[0]
    if _answer(cases) != "not known" or case.kind not in _DAMAGE_KINDS:
        return
    entries: tuple[RuleDocument | NeverDocument, ...] = (*made.rules, *made.book.nevers)
    if case.kind == "blend":
        yield "whether the finished blend was checked for cracks is not stated (tear_or_crack)"
    elif any(one.kind in CRACKED_KINDS and _matches(one, case, placement) for one in entries):
        yield "whether it is torn or cracked is not stated (tear_or_crack)"


def _answer(cases: Sequence[Case]) -> Answer:
    answers = {one.tear_or_crack for one in cases}
    return "yes" if "yes" in answers else "no" if "no" in answers else "not known"


def _interval(
    bounds: Bounds, applied: Sequence[RuleDocument], grounds: Sequence[Ground]
) -> IntervalDocument | None:
    """Give the book's interval for the class that is acted on: the shortest of all that apply."""
    acting = {one.rule for one in grounds if one.bounds.worst == bounds.worst}
    rules = [one for one in applied if one.id in acting]
    if bounds.worst == "inspect_again":
        return shortest([one.interval for one in rules if one.interval is not None])
    removals = [one.remove_within for one in rules]
    if bounds.decided == "reject" and removals and None not in removals and len(rules) == len(acting):
        return shortest([one for one in removals if one is not None])
    return None


def shortest(intervals: Sequence[IntervalDocument]) -> IntervalDocument | None:
    """Give what comes first of several intervals; None where there is none.

    Examples
    --------
    >>> shortest([IntervalDocument(cycles=300.0), IntervalDocument(cycles=50.0, hours=40.0)])
    IntervalDocument(cycles=50.0, hours=40.0, days=None)
    """
    if not intervals:
        return None
    least: Callable[[str], float | None] = lambda name: min(  # noqa: E731 - one line thrice
        (value for one in intervals if (value := getattr(one, name)) is not None), default=None
    )
    return IntervalDocument(cycles=least("cycles"), hours=least("hours"), days=least("days"))
