"""Verdicts in words: what holds, for which finding, by which rule and limit, and under which decision rule.

Each statement names the finding, the limit that is kept or not, and the decision rule, as ISO/IEC 17025:2017
asks of a statement of conformity (7.8.6.2).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from fringewise.core.units import LengthUnit, shown_in, value_and_doubt
from fringewise.verdict.book import LimitsBook
from fringewise.verdict.deciding import DamageVerdict
from fringewise.verdict.decision import Ground
from fringewise.verdict.groups import Decided, GroupVerdict
from fringewise.verdict.quantities import CRACKED_KINDS, QUANTITIES
from fringewise.verdict.words import CAUTION, CRACK_CAUTION, OUTCOME_WORDS, interval_words

WITHIN: Final = "all findings within limits"
NOTHING: Final = "Nothing found on what was seen"
PLAN_CAUTION: Final = "This is a plan for the licensed person, not an instruction."


def statement(decided: Decided, damage: DamageVerdict, unit: LengthUnit = "mm") -> str:
    """Write what the book says of one damage, with everything that it rests on and the cautions."""
    return " ".join(statement_lines(decided, damage, unit))


def statement_lines(decided: Decided, damage: DamageVerdict, unit: LengthUnit = "mm") -> Iterator[str]:
    """Give the sentences of a statement: the outcome first, the cautions last."""
    yield f"{place_words(damage)}: {outcome_words(damage)}."
    for ground in damage.grounds:
        yield ground_words(ground, unit)
    yield from damage.said
    if not damage.stands:
        yield f"It does not stand yet: {'; '.join(damage.provisional)}."
    yield f"Decision rule: {rule_words(decided)}."
    yield book_words(decided.judge.book)
    if is_cracked(damage):
        yield CRACK_CAUTION
    yield CAUTION


def outcome_words(damage: DamageVerdict) -> str:
    """Write the outcome, with what to act on, the interval, and that it is provisional where it is."""
    act_as = OUTCOME_WORDS[damage.bounds.worst]
    words = OUTCOME_WORDS[damage.outcome]
    if damage.outcome == "not_decided":
        words = f"{words} between {OUTCOME_WORDS[damage.bounds.mildest]} and {act_as}; act as: {act_as}"
    elif damage.outcome in ("not_measured", "no_rule"):
        words = f"{words}; until then act as: {act_as}"
    if damage.bounds.worst == "inspect_again":
        told = "no interval in the book: refer"
        words += f", {told}" if damage.interval is None else f" in {interval_words(damage.interval)}"
    elif damage.bounds.decided == "reject" and damage.interval is not None:
        words += f", remove within {interval_words(damage.interval)}"
    return words if damage.stands else f"provisional: {words}"


def place_words(damage: DamageVerdict) -> str:
    """Name a damage: its findings, its kind and where it is."""
    case = damage.case
    item = f"item {case.item}" if case.item else ""
    where = [case.kind.replace("_", " "), case.stage or case.part, item, case.zone]
    names = ", ".join(one.identity for one in damage.cases)
    return f"{names} ({', '.join(one for one in where if one)})"


def ground_words(ground: Ground, unit: LengthUnit = "mm") -> str:
    """Write one ground: the size against the limit, or what stands instead.

    Examples
    --------
    >>> from fringewise.verdict.decision import Bounds
    >>> from fringewise.verdict.sizes import Size
    >>> print(ground_words(Ground("A", Bounds("blend", "blend"), "depth", "mm", Size(0.61, 0.004),
    ...     "blend_up_to", 0.9, 0.8934, 1.0, "table 601", kept="kept")))
    Depth 0.610 ± 0.008 mm against blend_up_to 0.9 mm (rule A, table 601): kept, with probability 1.0000;
    acceptance limit 0.8934 mm.
    """
    whence = ", ".join(one for one in (f"rule {ground.rule}" if ground.rule else "", ground.source) if one)
    if ground.size is None or ground.limit is None or ground.acceptance_limit is None:
        words = ground.words[:1].upper() + ground.words[1:]
        return f"{words} ({whence})." if whence else f"{words}."
    size = ground.size
    value = value_and_doubt(size.value, size.expanded_uncertainty, ground.unit, unit)
    bound = "" if size.bound == "both" else f"{size.bound.replace('_', ' ')} "
    quantity = _quantity_words(ground.quantity)
    against = f"{ground.boundary} {_plain(ground.limit, ground.unit, unit)}"
    accepted = _plain(ground.acceptance_limit, ground.unit, unit)
    return (
        f"{quantity} {bound}{value} against {against} ({whence}): {_kept_words(ground)}; "
        f"acceptance limit {accepted}."
    )


def group_statement(group: GroupVerdict) -> str:
    """Write what holds for a blade, a stage or the engine; for an engine never more than "within limits"."""
    seen = _seen_words(group)
    if group.reach == "engine":
        return f"Engine: {_engine_words(group, seen)}."
    words = OUTCOME_WORDS[group.outcome]
    if group.outcome == "not_decided":
        worst = OUTCOME_WORDS[group.bounds.worst]
        words += f" between {OUTCOME_WORDS[group.bounds.mildest]} and {worst}"
    if not group.findings:
        words = f"{NOTHING[:1].lower()}{NOTHING[1:]}"
    provisional = "provisional: " if group.provisional else ""
    return f"{group.name}: {provisional}{words}{f', {seen}' if seen else ''}."


def is_cracked(damage: DamageVerdict) -> bool:
    """Say whether the caution for cracks belongs to a damage."""
    return any(one.kind in CRACKED_KINDS or one.tear_or_crack == "yes" for one in damage.cases)


def book_words(book: LimitsBook) -> str:
    """Name the limits book and its manual."""
    return f"Limits: {book.document.title}; {book.document.source}."


def rule_words(decided: Decided) -> str:
    """Name the decision rule and where the operator has it from."""
    made = decided.judge
    if made.rule.what_if:
        return made.rule.words
    stated = made.book.document.decision
    source = "the default: the book states none" if stated is None else stated.source or "no source stated"
    return f"{made.rule.words} ({source})"


def _engine_words(group: GroupVerdict, seen: str) -> str:
    provisional = "provisional: " if group.provisional else ""
    if not group.findings:
        return f"{provisional}{NOTHING}{f'; {seen}' if seen else ''}"
    if group.within:
        return f"{provisional}{WITHIN}, {seen or 'how many items were seen is not known (no work card)'}"
    worst = OUTCOME_WORDS[group.bounds.worst]
    mildest = OUTCOME_WORDS[group.bounds.mildest]
    if group.bounds.decided is not None:
        words = f"worst finding: {worst}"
    else:
        words = f"not decided; the worst of all lies between {mildest} and {worst}"
    return f"{provisional}{words}{f', {seen}' if seen else ''}"


def _seen_words(group: GroupVerdict) -> str:
    if group.seen is None or group.items is None:
        return ""
    told = f"{group.seen} of {group.items} items seen"
    return told if group.unseen == 0 else f"{told}, {group.unseen} not seen"


def _kept_words(ground: Ground) -> str:
    if ground.conformance_probability is None:
        return f"{ground.kept}, part of it was out of view"
    return f"{ground.kept}, with probability {ground.conformance_probability:.4f}"


def _quantity_words(name: str) -> str:
    spoken = (known[name].words for known in QUANTITIES.values() if name in known)
    words = next(spoken, name.replace("_", " "))
    return words[:1].upper() + words[1:]


def _plain(value: float, unit: str, length_unit: LengthUnit) -> str:
    shown, name = shown_in(value, unit, length_unit)
    return f"{shown:.4g} {name}".rstrip()
