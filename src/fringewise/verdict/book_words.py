"""A limits book written out as a person reads it, entry by entry, the way it is compared with the manual."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from fringewise.verdict.book import LOWER, REACHES, UPPER, LimitsBook, is_any, plain_words, same_words
from fringewise.verdict.documents import (
    BlendLimitsDocument,
    CountDocument,
    DecidedOutcome,
    NeverDocument,
    RuleDocument,
    ZoneDocument,
)
from fringewise.verdict.quantities import kind_words, kinds_words, quantity_rule
from fringewise.verdict.words import OUTCOME_WORDS, decision_words, interval_words

_WIDE = 40
_ALL_OF_IT = "everywhere on it"


def book_lines(book: LimitsBook) -> Iterator[str]:
    r"""Write a book out: its head, then each part, zone by zone, every number in the book's own unit.

    Examples
    --------
    >>> from fringewise.verdict.documents import LimitsDocument
    >>> rule = {"id": "A", "part": "blade 3", "kind": "dent", "quantity": "depth", "unit": "in",
    ...     "serviceable_up_to": 0.01}
    >>> document = {"format": "fringewise.limits/1", "title": "T", "source": "S", "rule": [rule]}
    >>> print(*list(book_lines(LimitsBook(LimitsDocument.model_validate(document))))[-3:], sep="\n")
      [ ] A: depth of a dent
            up to 0.01 in                             serviceable
            above 0.01 in                             reject
    """
    document = book.document
    yield document.title
    yield f"Manual      {document.source}"
    yield f"Entered by  {document.entered_by or 'not stated'}"
    yield f"Checked by  {document.checked_by or 'nobody yet'}"
    decision, stated = book.decision, document.decision is not None
    whence = decision.source or "no source stated" if stated else "the default: the book states none"
    yield f"Decision    {decision_words(decision)} ({whence})"
    yield "In force    yes" if book.in_force else f"In force    no: {book.why_not_in_force}"
    for part in dict.fromkeys(plain_words(one) for one in book.parts):
        yield from _part_lines(book, next(one for one in book.parts if same_words(one, part)))


def entry_lines(book: LimitsBook, part: str, zone: str) -> Iterator[str]:
    """Write the entries of one zone of a part; "any" for those that hold everywhere on it."""

    def here(entry: RuleDocument | CountDocument | NeverDocument) -> bool:
        in_zone = is_any(entry.zone) if is_any(zone) else same_words(entry.zone or "", zone)
        return same_words(entry.part, part) and in_zone

    for n, rule in enumerate(book.rules):
        if here(rule):
            yield from _rule_lines(rule, _where(book, rule.source, f"rule[{n}]"))
    for n, count in enumerate(book.counts):
        if here(count):
            yield from _count_lines(count, _where(book, count.source, f"count[{n}]"))
    for n, never in enumerate(book.nevers):
        if here(never):
            where = _where(book, never.source, f"never[{n}]")
            yield f"  [ ] {never.id}: {kind_words(never.kind)} is never allowed{where}"


def _part_lines(book: LimitsBook, part: str) -> Iterator[str]:
    yield ""
    yield part.upper()
    for n, zone in enumerate(book.zones):
        if same_words(zone.part, part):
            yield f"  [ ] zone {zone.name}: {_reach_words(zone)}{_where(book, zone.source, f'zone[{n}]')}"
    for zone_name in ("any", *book.zone_names(part)):
        lines = list(entry_lines(book, part, zone_name))
        if lines:
            yield f"{part}, {_ALL_OF_IT if is_any(zone_name) else zone_name}"
            yield from lines


def _where(book: LimitsBook, source: str | None, place: str) -> str:
    line = book.lines.get(place)
    told = [source or "", "" if line is None else f"line {line} of the file"]
    words = "; ".join(one for one in told if one)
    return f"   ({words})" if words else ""


def _reach_words(zone: ZoneDocument) -> str:
    stated = [
        f"{reach[0]:g} to {reach[1]:g} {zone.unit} {name.replace('_', ' ').replace('from', 'from the')}"
        for name in REACHES
        if (reach := getattr(zone, name)) is not None
    ]
    return ", ".join(stated) or "nothing said of where it lies"


def _rule_lines(rule: RuleDocument, where: str) -> Iterator[str]:
    quantity = quantity_rule(rule.kind, rule.quantity)
    yield f"  [ ] {rule.id}: {quantity.words} of {kind_words(rule.kind)}{where}"
    unit = f" {quantity.unit(rule.unit)}".rstrip()
    for names, up in ((UPPER, True), (LOWER, False)):
        steps = [(getattr(rule, name), within) for name, within in names if getattr(rule, name) is not None]
        for reach, outcome in _reaches(steps, unit, up=up):
            yield f"        {reach:<{_WIDE}}  {_outcome_words(rule, outcome)}"
    if rule.blend is not None:
        yield from _blend_lines(rule.blend, rule.unit)


def _reaches(
    steps: list[tuple[float, DecidedOutcome]], unit: str, *, up: bool
) -> Iterator[tuple[str, DecidedOutcome]]:
    """Give each range of sizes in words with its outcome, from the mildest on."""
    if not steps:
        return
    to, over = ("up to", "above") if up else ("from", "below")
    yield f"{to} {steps[0][0]:g}{unit}", steps[0][1]
    for (less, _), (more, within) in pairwise(steps):
        yield f"{over} {less:g}{unit}, {to} {more:g}{unit}", within
    yield f"{over} {steps[-1][0]:g}{unit}", "reject"


def _outcome_words(rule: RuleDocument, outcome: DecidedOutcome) -> str:
    words = OUTCOME_WORDS[outcome]
    if outcome == "inspect_again":
        told = "no interval in the book" if rule.interval is None else f"in {interval_words(rule.interval)}"
        return f"{words} {told}" if rule.interval is not None else f"{words}: {told}"
    if outcome == "reject" and rule.remove_within is not None:
        return f"{words}; remove within {interval_words(rule.remove_within)}"
    return words


def _blend_lines(blend: BlendLimitsDocument, unit: str) -> Iterator[str]:
    stated = [
        ("length to depth at least", blend.length_to_depth, ""),
        ("depth at most", blend.depth_max, f" {unit}"),
        ("removed beyond the damage", blend.extra_removal, f" {unit}"),
        ("radius at least", blend.radius_min, f" {unit}"),
        ("chord left at least", blend.chord_min, f" {unit}"),
        ("on a blade at most", blend.per_blade_max, ""),
        ("on the stage at most", blend.per_stage_max, ""),
    ]
    for name, value, unit_of in stated:
        yield f"        a blend: {name} " + ("not stated" if value is None else f"{value:g}{unit_of}")
    yield f"        a blend: crack check {blend.crack_check or 'not stated'}"


def _count_lines(count: CountDocument, where: str) -> Iterator[str]:
    yield f"  [ ] {count.id}: how many {kinds_words(count.kind)} together{where}"
    outcome = OUTCOME_WORDS[count.exceeded or "reject"]
    for words in _allowed(count):
        yield f"        {words:<{_WIDE}}  else {outcome}"


def _allowed(count: CountDocument) -> Iterator[str]:
    if count.per_blade_max is not None:
        yield f"on a blade at most {count.per_blade_max}"
    if count.per_stage_max is not None:
        yield f"on the stage at most {count.per_stage_max}"
    if count.damaged_blades_per_stage_max is not None:
        yield f"damaged blades at most {count.damaged_blades_per_stage_max}"
    if count.spacing_min is not None:
        yield f"apart at least {count.spacing_min:g} {count.unit}"
    if count.adjacent_allowed is not None:
        yield f"on neighbouring blades: {'yes' if count.adjacent_allowed else 'no'}"
    if count.sum_max is not None:
        for name, value in (("blade", count.sum_max.per_blade), ("stage", count.sum_max.per_stage)):
            if value is not None:
                yield f"sum of {count.sum_max.quantity} on a {name} at most {value:g} {count.unit}"
