"""Taking in what a head or a person brings: captures, photos and videos, kept whole and known by content."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import BinaryIO

from fringewise.capture.capture import Capture
from fringewise.core.errors import ChangedMeanwhile, refuse
from fringewise.record.bodies import EvidenceKind, IntakeBody, checked_body
from fringewise.record.chain import ARCHIVE, Draft, Entry
from fringewise.record.manifest import manifest_text
from fringewise.workflow.keeping import Desk


@dataclass(frozen=True, slots=True)
class Facts:
    """What a capture says of itself; all unknown for a photo or a video."""

    captured_at: datetime | None = None
    head: str | None = None
    head_sha256: str | None = None
    probe: str | None = None
    measurable: bool = False


@dataclass(frozen=True, slots=True)
class Parcel:
    """Something from outside, read and found sound, ready to be kept.

    Attributes
    ----------
    kind : {"capture", "photo", "video"}
    name : str
        What it was called where it came from.
    sha256 : str
        Of a capture the hash of its manifest, else that of the file.
    hashes : mapping of str to str
        SHA-256 of each file by its path.
    files : mapping of str to callable
        Opens each file for reading.
    facts : Facts
    """

    kind: EvidenceKind
    name: str
    sha256: str
    hashes: Mapping[str, str]
    files: Mapping[str, Callable[[], BinaryIO]]
    facts: Facts = field(default_factory=Facts)


@dataclass(frozen=True, slots=True)
class Taken:
    """What was taken in; `new` is False where the archive had it already."""

    kind: EvidenceKind
    sha256: str
    name: str
    new: bool

    @property
    def evidence(self) -> dict[str, str]:
        """As a look names it."""
        return {"kind": self.kind, "sha256": self.sha256, "name": self.name}


def facts_of(capture: Capture, head_sha256: str | None) -> Facts:
    """Say what a capture says of itself."""
    head = capture.head.serial if capture.head is not None else None
    return Facts(capture.captured_at, head, head_sha256, capture.probe, bool(capture.column_sets))


def take_in(desk: Desk, parcel: Parcel) -> Taken:
    """Keep a parcel: its files first, then a capture's manifest, then the entry that says so.

    Broken off anywhere, the archive holds whole files and perhaps no entry; the same parcel once more ends
    what was begun. What was taken in before is known by its content, whatever it is called now; its files are
    kept again where they were lost or spoilt.

    Raises
    ------
    InputRefused
        A file changed while it was read.
    """
    kept = desk.archive.keep_files(parcel.files)
    changed = [name for name, sha256 in parcel.hashes.items() if kept.get(name) != sha256]
    if changed:
        raise refuse(parcel.name, changed[0], "must not change while it is taken in: add it again")
    if parcel.kind == "capture":
        desk.archive.keep_bytes(manifest_text(parcel.hashes).encode())
    new = not desk.archive.about("intake", parcel.sha256) and _written(desk, parcel)
    return Taken(parcel.kind, parcel.sha256, parcel.name, new)


def taken_in(desk: Desk) -> Iterator[tuple[Entry, IntakeBody]]:
    """Give everything that was taken in, in order."""
    return _bodies(desk.archive.about("intake"))


def find_taken(desk: Desk, name: str) -> IntakeBody:
    """Find what was taken in by its hash, the first 6 or more digits of it, or its name.

    Raises
    ------
    InputRefused
        There is none, or there are several; each is named.
    """
    exact = [body for _, body in _bodies(desk.archive.about("intake", name))]
    found = exact or [
        body
        for _, body in taken_in(desk)
        if body.name == name or (len(name) >= 6 and body.sha256.startswith(name))
    ]
    if len({one.sha256 for one in found}) == 1:
        return found[0]
    which = ", ".join(sorted(f"{one.name} ({one.sha256[:12]})" for one in found))
    rule = f"must name one of several: {which}" if found else "must be taken in first: fringewise add"
    raise refuse("archive", "", rule, name)


def _written(desk: Desk, parcel: Parcel) -> bool:
    facts = parcel.facts
    body = {
        "kind": parcel.kind,
        "sha256": parcel.sha256,
        "name": parcel.name,
        "files": len(parcel.files),
        "captured_at": facts.captured_at.isoformat() if facts.captured_at else None,
        "head": facts.head,
        "head_sha256": facts.head_sha256,
        "probe": facts.probe,
        "measurable": facts.measurable,
    }
    stated = {name: value for name, value in body.items() if value is not None}
    try:
        desk.write(Draft(ARCHIVE, "intake", parcel.sha256, stated, expected_version=0))
    except ChangedMeanwhile:  # somebody else took in the same in this moment
        return False
    return True


def _bodies(entries: Iterable[Entry]) -> Iterator[tuple[Entry, IntakeBody]]:
    for entry in entries:
        body = checked_body("intake", entry.body)
        assert isinstance(body, IntakeBody)
        yield entry, body
