"""Entries: what an archive writes down, one after the other, each bound to the one before by its hash.

An entry is never changed. A correction is a new entry about the same subject with the next version, its
author, time and reason. The hash of an entry covers everything in it and the hash of the entry before: a
change from outside, a missing entry or another order breaks the chain where it happened.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Final

FIRST: Final = "0" * 64
"""Stands for the hash before the first entry."""

ARCHIVE: Final = ""
"""Stands for an inspection's name in entries that concern the whole archive: people, verifications, books."""

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Draft:
    """What somebody wants written down.

    Attributes
    ----------
    inspection : str
        The inspection it belongs to, or `ARCHIVE`.
    kind : str
        One of `fringewise.record.kinds.ENTRY_KINDS`.
    subject : str
        What it is about: a look, a capture, a person …; the same subject again makes the next version.
    body : mapping
        Plain values that JSON can hold.
    reason : str
        Why, for a correction.
    expected_version : int, optional
        The version that this replaces, as its author saw it (0: none yet); another one there is refused.
    """

    inspection: str
    kind: str
    subject: str
    body: Body
    reason: str = ""
    expected_version: int | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the chain; `at` carries its zone, `sha256` covers all else and `previous`."""

    sequence: int
    inspection: str
    kind: str
    subject: str
    version: int
    author: str
    at: datetime
    reason: str
    body: Body
    previous: str
    sha256: str = field(default="")

    def __post_init__(self) -> None:
        if self.at.tzinfo is None:
            raise ValueError("an entry's time carries its zone")
        if self.sequence < 1 or self.version < 1:
            raise ValueError("sequence and version count from 1")

    @property
    def key(self) -> tuple[str, str]:
        """What this entry is about: its kind and subject."""
        return self.kind, self.subject


@dataclass(frozen=True, slots=True)
class Break:
    """Where a chain does not hold, and how."""

    sequence: int
    words: str


def canonical(value: object) -> str:
    """Write plain values in the one way that is hashed: keys sorted, no spaces, no NaN.

    Examples
    --------
    >>> canonical({"b": [1, 2.5], "a": "é"})
    '{"a":"é","b":[1,2.5]}'
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def plain(body: Body) -> dict[str, Any]:
    """Give a body as reading it back will give it: lists for tuples, text for keys."""
    read: dict[str, Any] = json.loads(canonical(body))
    return read


def digest(entry: Entry) -> str:
    """Compute the hash of an entry (SHA-256, hexadecimal) from all its other fields."""
    stated = {
        "sequence": entry.sequence,
        "inspection": entry.inspection,
        "kind": entry.kind,
        "subject": entry.subject,
        "version": entry.version,
        "author": entry.author,
        "at": stamp(entry.at),
        "reason": entry.reason,
        "body": entry.body,
        "previous": entry.previous,
    }
    return hashlib.sha256(canonical(stated).encode()).hexdigest()


def sealed(draft: Draft, *, sequence: int, version: int, author: str, at: datetime, previous: str) -> Entry:
    """Make the entry that a draft becomes at its place in the chain.

    Examples
    --------
    >>> draft = Draft("W-1", "look", "compressor 3/7/pressure side", {"state": "to do"})
    >>> at = datetime(2026, 3, 14, tzinfo=UTC)
    >>> one = sealed(draft, sequence=1, version=1, author="technician A", at=at, previous=FIRST)
    >>> one.sha256 == digest(one), list(breaks([one]))
    (True, [])
    """
    bare = Entry(
        sequence, draft.inspection, draft.kind, draft.subject, version, author, at.astimezone(UTC),
        draft.reason, plain(draft.body), previous,
    )  # fmt: skip
    return replace(bare, sha256=digest(bare))


def stamp(moment: datetime) -> str:
    """Write a moment as the archive keeps it: UTC, microseconds, so that text sorts like time."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def breaks(entries: Iterable[Entry], previous: str = FIRST, sequence: int = 0) -> Iterator[Break]:
    """Find where entries, in order, don't make a chain that begins after `previous` at `sequence`."""
    versions: dict[tuple[str, str, str], int] = {}
    for entry in entries:
        sequence += 1
        if entry.sequence != sequence:
            yield Break(sequence, f"entry {sequence} is missing")
            sequence = entry.sequence
        elif entry.previous != previous:
            yield Break(sequence, f"entry {sequence} does not follow the one before")
        if digest(entry) != entry.sha256:
            yield Break(sequence, f"entry {sequence} was changed after it was written")
        about = (entry.inspection, entry.kind, entry.subject)
        expected = versions.get(about, 0) + 1
        if entry.version != expected:
            yield Break(sequence, f"entry {sequence} has version {entry.version} instead of {expected}")
        versions[about] = entry.version
        previous = entry.sha256


def record_hash(entries: Iterable[Entry]) -> str:
    """Hash of what an inspection's entries say, in order: what a signature covers."""
    return hashlib.sha256("".join(f"{entry.sha256}\n" for entry in entries).encode()).hexdigest()
