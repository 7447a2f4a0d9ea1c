"""What can be wrong with a limits book as a whole, though each of its entries is sound by itself."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from itertools import combinations, islice
from typing import Any, Final, TypeVar

from fringewise.core.documents import Part
from fringewise.core.units import MM_PER_INCH
from fringewise.verdict.book import LOWER, UPPER, ladders, plain_words
from fringewise.verdict.documents import LimitsDocument, RuleDocument
from fringewise.verdict.draft import Draft, Entry, Fault, place_of
from fringewise.verdict.names import known_names, likely_field
from fringewise.verdict.quantities import QUANTITIES, covers, kind_words
from fringewise.verdict.zone_checks import name_faults, zone_faults

Kind = TypeVar("Kind", bound=Part)

_MOST_PAIRS: Final = 100_000
_SLIP_WITHIN: Final = 0.01
"""Two limits whose ratio is 25.4 within 1 % look like one of them written in the other unit."""
_LEAST_LIMIT_MM: Final = 0.005
_GREATEST_LIMIT_MM: Final = 500.0
_ALIKE: Final = 1e-9


def book_faults(draft: Draft, data: Mapping[str, Any]) -> Iterator[Fault]:
    """Give everything that is wrong between entries, or with an entry against what is known of kinds.

    Parameters
    ----------
    draft : Draft
        The entries that are sound by themselves.
    data : mapping
        The book's plain values, in which mistyped names of fields are found.
    """
    checks: tuple[Callable[[Draft], Iterator[Fault]], ...] = (
        _ids, _quantities, _sides, _steps, _blends, _same_subject, _slips, _sizes, _counts, _nevers,
        zone_faults, name_faults,
    )  # fmt: skip
    yield from _unknown_fields(data)
    yield from _decision(data)
    for check in checks:
        yield from check(draft)


def _unknown_fields(data: Mapping[str, Any]) -> Iterator[Fault]:
    """Find names of fields that look like slips of known ones: they would silently count for nothing."""
    for place, name, known in known_names(LimitsDocument, data):
        meant = likely_field(name, known)
        if meant:
            rule = f"is not a known field, and looks like {meant}"
            yield Fault(place, rule, f"write {meant}, or give the field another name", name)


def _decision(data: Mapping[str, Any]) -> Iterator[Fault]:
    decision = data.get("decision")
    if not isinstance(decision, Mapping):
        return
    for name, goes_with in (("k", "guard band k U"), ("p", "conformance probability p")):
        if decision.get(name) is not None and decision.get("rule") != goes_with:
            remedy = f'take it out, or write rule = "{goes_with}"'
            yield Fault(f"decision.{name}", f'goes with "{goes_with}" only', remedy, str(decision[name]))


def _ids(draft: Draft) -> Iterator[Fault]:
    met: set[str] = set()
    for entry in draft.with_ids:
        name = plain_words(entry.document.id)
        if name in met:
            rule = "must be unique in the book"
            yield Fault(f"{entry.place}.id", rule, "give each entry an id of its own", entry.document.id)
        met.add(name)


def _quantities(draft: Draft) -> Iterator[Fault]:
    for entry in draft.rules:
        rule = entry.document
        known = QUANTITIES[rule.kind]
        if rule.quantity not in known:
            yield _unknown_quantity(f"{entry.place}.quantity", rule.kind, rule.quantity)
    for count in draft.counts:
        kind, summed = count.document.kind, count.document.sum_max
        if summed is not None and not _summable(kind, summed.quantity):
            yield _unknown_quantity(f"{count.place}.sum_max.quantity", kind, summed.quantity)


def _summable(kind: str, quantity: str) -> bool:
    kinds = QUANTITIES if kind == "any" else [kind]
    return any(quantity in QUANTITIES[one] for one in kinds)


def _unknown_quantity(place: str, kind: str, quantity: str) -> Fault:
    known = (
        sorted({name for names in QUANTITIES.values() for name in names})
        if kind == "any"
        else [*QUANTITIES[kind]]
    )
    if not known:
        rule = f"{kind_words(kind)} is not measured and has no quantity"
        return Fault(place, rule, "enter it as [[never]], or take the rule out", quantity)
    return Fault(
        place, f"{kind_words(kind)} has no such quantity", f"write one of {', '.join(known)}", quantity
    )


def _sides(draft: Draft) -> Iterator[Fault]:
    """Find limits on the side on which a quantity can't be worse."""
    for entry in draft.rules:
        rule = entry.document
        known = QUANTITIES[rule.kind].get(rule.quantity)
        if known is None or known.worse == "either":
            continue
        wrong, right = (LOWER, UPPER) if known.worse == "more" else (UPPER, LOWER)
        for name, _ in wrong:
            if getattr(rule, name) is not None:
                side = f"of {kind_words(rule.kind)} {known.words}, {known.worse} is worse"
                yield Fault(f"{entry.place}.{name}", side, f"write {right[0][0]}", f"{getattr(rule, name):g}")


def _steps(draft: Draft) -> Iterator[Fault]:
    """Find limits that leave no size serviceable, and intervals that no step leads to."""
    for entry in draft.rules:
        rule = entry.document
        low, high = rule.serviceable_from, rule.serviceable_up_to
        if low is not None and high is not None and low > high:
            words = f"must not be more than serviceable_up_to ({high:g}): no size would be serviceable"
            yield Fault(f"{entry.place}.serviceable_from", words, "compare both with the manual", f"{low:g}")
        if rule.interval is not None and rule.inspect_again_up_to is None and rule.inspect_again_from is None:
            words = "an interval needs a step that leads to it"
            yield Fault(f"{entry.place}.interval", words, "add inspect_again_up_to or inspect_again_from")


def _blends(draft: Draft) -> Iterator[Fault]:
    for entry in draft.rules:
        rule, blend, place = entry.document, entry.document.blend, f"{entry.place}.blend"
        if blend is None:
            continue
        if rule.blend_up_to is None:
            yield Fault(place, "limits of a blend need blend_up_to", "add blend_up_to, or take them out")
        elif blend.depth_max is not None and rule.quantity == "depth":
            least = rule.blend_up_to + (blend.extra_removal or 0.0)
            if blend.depth_max < least * (1 - _ALIKE):
                words = f"must not be less than blend_up_to with the extra removal ({least:g})"
                remedy = "compare them with the manual: such damage could not be cleared"
                yield Fault(f"{place}.depth_max", words, remedy, f"{blend.depth_max:g}")
        yield from _blade_over_stage(place, blend.per_blade_max, blend.per_stage_max)


def _blade_over_stage(place: str, blade: int | None, stage: int | None) -> Iterator[Fault]:
    if blade is not None and stage is not None and blade > stage:
        words = f"must not be more than per_stage_max ({stage})"
        yield Fault(f"{place}.per_blade_max", words, "compare both with the manual", str(blade))


def _same_subject(draft: Draft) -> Iterator[Fault]:
    """Find two rules for one quantity of one kind in one zone, and two counts for one kind in one zone."""
    rules = _alike(draft.rules, lambda one: (*place_of(one), one.kind, one.quantity))
    for one, other in rules:
        a, b = one.document, other.document
        if _sides_of(a) & _sides_of(b):
            says = "says the same as" if _numbers(a) == _numbers(b) else "contradicts"
            words = (
                f'{says} rule "{a.id}": both limit the {a.quantity} of {kind_words(a.kind)} in the same zone'
            )
            yield Fault(other.place, words, "keep the one that the manual has")
    for first, second in _alike(draft.counts, lambda one: (*place_of(one), one.kind)):
        c, d = first.document, second.document
        shared = [name for name in _COUNTED if getattr(c, name) is not None and getattr(d, name) is not None]
        if shared:
            words = f'states {shared[0]} for the same as count "{c.id}"'
            yield Fault(second.place, words, "keep the one that the manual has")


def _alike(
    entries: Sequence[Entry[Kind]], key: Callable[[Kind], Hashable]
) -> Iterator[tuple[Entry[Kind], Entry[Kind]]]:
    """Give each pair of entries with the same key, the earlier one first; at most some thousand pairs."""
    groups: dict[Hashable, list[Entry[Kind]]] = {}
    for entry in entries:
        groups.setdefault(key(entry.document), []).append(entry)
    pairs = (pair for group in groups.values() for pair in combinations(group, 2))
    return islice(pairs, _MOST_PAIRS)


_COUNTED: Final = (
    "per_blade_max",
    "per_stage_max",
    "spacing_min",
    "sum_max",
    "adjacent_allowed",
    "damaged_blades_per_stage_max",
)


def _sides_of(rule: RuleDocument) -> set[str]:
    sides = (("more", UPPER), ("less", LOWER))
    return {side for side, names in sides for name, _ in names if getattr(rule, name) is not None}


def _numbers(rule: RuleDocument) -> tuple[float | None, ...]:
    factor = MM_PER_INCH if rule.unit == "in" else 1.0
    values = [getattr(rule, name) for name, _ in (*UPPER, *LOWER)]
    return tuple(None if value is None else round(value * factor, 9) for value in values)


def _slips(draft: Draft) -> Iterator[Fault]:
    """Find the same step of the same quantity of a part, 25.4 times as large in one zone as in another."""
    sound = [one for one in draft.rules if one.document.quantity in QUANTITIES[one.document.kind]]
    asked = [one for one in sound if not one.document.unit_confirmed]
    limits = {
        one.place: {step.boundary: step.limit for ladder in ladders(one.document) for step in ladder.steps}
        for one in asked
    }
    for one, other in _alike(asked, lambda one: (plain_words(one.part), one.kind, one.quantity)):
        a, b = one.document, other.document
        slip = QUANTITIES[a.kind][a.quantity].in_millimetres(1.0, "in")
        name = _slipped_step(limits[one.place], limits[other.place], slip)
        if name:
            words = f'differs from that of rule "{a.id}" by {slip:.4g} times: inches may stand as millimetres'
            remedy = "compare the unit with the manual; where it is right, add unit_confirmed = true"
            yield Fault(f"{other.place}.{name}", words, remedy, f"{getattr(b, name):g} {b.unit}")


def _slipped_step(known: Mapping[str, float], limits: Mapping[str, float], slip: float) -> str:
    """Name the first step that differs by the slip; empty where none does, or the unit is no length."""
    for name, limit in limits.items():
        other = known.get(name)
        if (
            slip != 1.0
            and other
            and limit
            and abs(max(other, limit) / min(other, limit) / slip - 1) < _SLIP_WITHIN
        ):
            return name
    return ""


def _sizes(draft: Draft) -> Iterator[Fault]:
    """Find lengths that no manual states of a blade: some micrometres, or more than half a metre."""
    for entry in draft.rules:
        rule = entry.document
        known = QUANTITIES[rule.kind].get(rule.quantity)
        if known is None or known.dimension != 1 or rule.unit_confirmed:
            continue
        for step in (step for ladder in ladders(rule) for step in ladder.steps):
            if 0 < step.limit < _LEAST_LIMIT_MM or step.limit > _GREATEST_LIMIT_MM:
                size = "small" if step.limit < _LEAST_LIMIT_MM else "large"
                words = f"is too {size} for a limit: the unit may be the wrong one (25.4)"
                remedy = 'write unit = "in" or the number in mm; where it is right, add unit_confirmed = true'
                value = f"{getattr(rule, step.boundary):g} {rule.unit}"
                yield Fault(f"{entry.place}.{step.boundary}", words, remedy, value)
                break


def _counts(draft: Draft) -> Iterator[Fault]:
    for entry in draft.counts:
        count = entry.document
        if all(getattr(count, name) is None for name in _COUNTED):
            yield Fault(entry.place, "must state what is allowed", f"add one of {', '.join(_COUNTED)}")
        if count.exceeded == "serviceable":
            words = "must not be serviceable: the count would change nothing"
            yield Fault(
                f"{entry.place}.exceeded", words, "write reject, blend or inspect_again", "serviceable"
            )
        yield from _blade_over_stage(entry.place, count.per_blade_max, count.per_stage_max)


def _nevers(draft: Draft) -> Iterator[Fault]:
    """Find rules that allow what is never allowed."""
    for entry in draft.nevers:
        never = entry.document
        part, zone = place_of(never)
        for rule in draft.rules:
            where = place_of(rule.document)
            if covers(never.kind, rule.document.kind) and where[0] == part and zone in ("any", where[1]):
                words = f'allows what "{never.id}" never allows'
                yield Fault(rule.place, words, "take out the one that the manual does not have")
