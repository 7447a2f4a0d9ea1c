"""What changed from one limits book to the next, and which open findings the change touches."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from fringewise.core.documents import Part
from fringewise.verdict.book import LimitsBook, is_any, plain_words, same_words
from fringewise.verdict.documents import CountDocument, NeverDocument, RuleDocument, ZoneDocument
from fringewise.verdict.words import decision_words

Change = Literal["new", "gone", "changed"]
Entry = ZoneDocument | RuleDocument | CountDocument | NeverDocument


@dataclass(frozen=True, slots=True)
class BookChange:
    """One thing that differs between two books.

    Attributes
    ----------
    change : {"new", "gone", "changed"}
    entry : str
        Which entry, such as ``rule C3-DENT``; the book's own head is ``book``.
    says : tuple of str
        Each field that differs, with its old and its new value.
    part, kind, zone : str
        What the entry speaks of; empty where it is about all.
    """

    change: Change
    entry: str
    says: tuple[str, ...] = ()
    part: str = ""
    kind: str = ""
    zone: str = ""


@dataclass(frozen=True, slots=True)
class OpenFinding:
    """A finding that is not closed: where it is and of which kind; empty where that is not known."""

    identity: str
    kind: str
    part: str = ""
    zone: str = ""
    tear_or_crack: bool = False


def book_changes(old: LimitsBook, new: LimitsBook) -> tuple[BookChange, ...]:
    """Give every difference between two books, entry by entry; entries are the same by their id.

    Examples
    --------
    >>> from fringewise.verdict.documents import LimitsDocument
    >>> def book(limit):
    ...     rule = {"id": "A", "part": "blade", "kind": "dent", "quantity": "depth", "unit": "mm",
    ...         "serviceable_up_to": limit}
    ...     head = {"format": "fringewise.limits/1", "title": "T", "source": "S"}
    ...     return LimitsBook(LimitsDocument.model_validate(head | {"rule": [rule]}))
    >>> [(one.entry, one.says) for one in book_changes(book(0.2), book(0.3))]
    [('rule A', ('serviceable_up_to: 0.2 -> 0.3',))]
    """
    return (*_head_changes(old, new), *_entry_changes(_entries(old), _entries(new)))


def touched(changes: Sequence[BookChange], findings: Sequence[OpenFinding]) -> tuple[OpenFinding, ...]:
    """Give the findings that some change could bear on; what is not known of a finding counts as touched."""
    return tuple(finding for finding in findings if any(_touches(change, finding) for change in changes))


def _head_changes(old: LimitsBook, new: LimitsBook) -> Iterator[BookChange]:
    before, after = old.document, new.document
    named = ("title", "source", "entered_by", "checked_by")
    said = [_differs(name, getattr(before, name), getattr(after, name)) for name in named]
    said.append(_differs("decision", decision_words(old.decision), decision_words(new.decision)))
    said.append(_differs("in force", _yes(old.in_force), _yes(new.in_force)))
    if any(said):
        yield BookChange("changed", "book", tuple(one for one in said if one))


def _entry_changes(
    old: Mapping[tuple[str, str], Entry], new: Mapping[tuple[str, str], Entry]
) -> Iterator[BookChange]:
    for key, entry in {**old, **new}.items():
        before, after = old.get(key), new.get(key)
        if before is None or after is None:
            yield _change("new" if before is None else "gone", key, entry, ())
            continue
        said = tuple(_field_changes(_plain(before), _plain(after)))
        if said:
            yield _change("changed", key, after, said)
            if _subject(before) != _subject(after):
                yield _change("changed", key, before, said)  # what it spoke of before is touched as well


def _entries(book: LimitsBook) -> dict[tuple[str, str], Entry]:
    found: dict[tuple[str, str], Entry] = {}
    for zone in book.zones:
        found["zone", f"{plain_words(zone.name)} of {plain_words(zone.part)}"] = zone
    named: Sequence[tuple[str, Sequence[RuleDocument | CountDocument | NeverDocument]]]
    named = (("rule", book.rules), ("count", book.counts), ("never", book.nevers))
    for table, entries in named:
        found.update({(table, one.id): one for one in entries})
    return found


def _change(change: Change, key: tuple[str, str], entry: Entry, said: tuple[str, ...]) -> BookChange:
    part, kind, zone = _subject(entry)
    return BookChange(change, " ".join(key), said, part, kind, zone)


def _subject(entry: Entry) -> tuple[str, str, str]:
    if isinstance(entry, ZoneDocument):
        return entry.part, "", ""  # where a zone ends moves findings from one zone to another
    zone = "" if entry.zone is None or is_any(entry.zone) else entry.zone
    return entry.part, "" if entry.kind == "any" else entry.kind, zone


def _touches(change: BookChange, finding: OpenFinding) -> bool:
    if change.entry == "book":
        return True
    here = not (change.part and finding.part) or same_words(change.part, finding.part)
    there = not (change.zone and finding.zone) or same_words(change.zone, finding.zone)
    kinds = ("", finding.kind, *(["crack"] if finding.tear_or_crack else []))
    return here and there and change.kind in kinds


def _plain(entry: Part) -> dict[str, Any]:
    return entry.model_dump(exclude_none=True)


def _field_changes(before: Mapping[str, Any], after: Mapping[str, Any], place: str = "") -> Iterator[str]:
    for name in {**before, **after}:
        one, other = before.get(name), after.get(name)
        here = f"{place}.{name}" if place else name
        if isinstance(one, Mapping) and isinstance(other, Mapping):
            yield from _field_changes(one, other, here)
        elif said := _differs(here, one, other):
            yield said


def _differs(name: str, one: object, other: object) -> str:
    return "" if one == other else f"{name}: {_shown(one)} -> {_shown(other)}"


def _shown(value: object) -> str:
    if value is None:
        return "not stated"
    if isinstance(value, bool):
        return _yes(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _yes(value: bool) -> str:
    return "yes" if value else "no"
