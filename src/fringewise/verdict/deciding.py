"""Deciding on one damage: every rule that matches it applies, and the strictest wins."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from fringewise.verdict.book import Ladder, LimitsBook, Step, same_words
from fringewise.verdict.cases import Case, Surroundings
from fringewise.verdict.decision import Bounds, Ground, Subject, ladder_bounds, ladder_grounds, strictest
from fringewise.verdict.documents import IntervalDocument, NeverDocument, Outcome, RuleDocument
from fringewise.verdict.doubts import crack_answer, crack_doubts, outer_doubts, size_doubts, zone_doubts
from fringewise.verdict.judge import Judge, matches
from fringewise.verdict.quantities import CRACKED_KINDS, QUANTITIES, covers, kind_words, quantity_rule
from fringewise.verdict.repeats import join
from fringewise.verdict.sizes import Size
from fringewise.verdict.zones import Placement, place

UNKNOWN: Final = Bounds("serviceable", "reject")
NEVER: Final = Bounds("reject", "reject")


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
    said = [f"{one.identity} is left out: {left_out[one.identity]}." for one in cases if one not in counted]
    said += [f"{one.identity} was not measured: {one.reason}." for one in counted if one.reason]
    said += [words for one in counted for words in one.said]
    unknown = _unknown_part(made.book, cases[0].part)
    if unknown:
        wants, grounds = frozenset({"no_rule"}), (Ground("", UNKNOWN, words=unknown),)
        reasons = (*outer_doubts(made, counted or cases), unknown)
        return DamageVerdict(tuple(cases), UNKNOWN, grounds, Placement(), wants, reasons, tuple(said))
    return _decided(made, tuple(cases), counted, surroundings or Surroundings(), said)


def _decided(
    made: Judge, cases: tuple[Case, ...], counted: Sequence[Case], near: Surroundings, said: list[str]
) -> DamageVerdict:
    case = cases[0]
    places = near.of(case)
    placement = _placement(made.book, cases, places)
    kinds = {case.kind} | (CRACKED_KINDS if crack_answer(cases) == "yes" else set())
    applied = [one for one in made.rules if one.kind in kinds and matches(one, case, placement)]
    nevers = [one for one in made.book.nevers if _forbids(one, kinds) and matches(one, case, placement)]
    grounds = [_never_ground(one) for one in nevers]
    used: list[Size] = []
    for rule in applied:
        grounds += _rule_grounds(made, rule, counted, used, said)
    doubts = list(_chord(made, applied, case, places, grounds))
    wants = _wants(kinds, applied, nevers, counted)
    bounds = strictest([*(one.bounds for one in grounds), *([UNKNOWN] if wants else [])])
    provisional = [
        *outer_doubts(made, counted or cases),
        *zone_doubts(made, case, kinds, placement),
        *size_doubts(used),
        *doubts,
        *crack_doubts(made, cases, placement),
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


def _forbids(never: NeverDocument, kinds: set[str]) -> bool:
    return any(covers(never.kind, kind) for kind in kinds)


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
            yield from size_doubts([chord])
        if not places.get("chord"):
            yield "the chord left at the blend was not measured"


def _wants(
    kinds: set[str], applied: Sequence[RuleDocument], nevers: Sequence[NeverDocument], counted: Sequence[Case]
) -> frozenset[str]:
    """Say what is wanting: a rule for one of the kinds, or any measurement."""
    wants = set()
    for kind in kinds:
        ruled = any(one.kind == kind for one in applied) or any(covers(one.kind, kind) for one in nevers)
        if not ruled:
            wants.add("no_rule")
    if not any(one.sizes for one in counted) and any(QUANTITIES.get(kind) for kind in kinds):
        wants.add("not_measured")
    return frozenset(wants)


def _interval(
    bounds: Bounds, applied: Sequence[RuleDocument], grounds: Sequence[Ground]
) -> IntervalDocument | None:
    """Give the book's interval for the class that is acted on: the shortest of all that apply."""
    acting = {one.rule for one in grounds if one.bounds.worst == bounds.worst}
    rules = [one for one in applied if one.id in acting]
    if bounds.worst == "inspect_again":
        stated = [one.interval for one in rules if one.interval is not None]
        return shortest(stated) if len(stated) == len(acting) else None
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
    return IntervalDocument(**{name: _least(intervals, name) for name in ("cycles", "hours", "days")})


def _least(intervals: Sequence[IntervalDocument], name: str) -> float | None:
    stated = [getattr(one, name) for one in intervals]
    return min((one for one in stated if one is not None), default=None)
