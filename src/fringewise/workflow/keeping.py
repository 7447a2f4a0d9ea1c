"""Writing an inspection down: what is begun, seen, marked, measured and decided becomes entries."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fringewise.capture.capture import Capture
from fringewise.core.errors import InputRefused, Problem
from fringewise.core.progress import Clock
from fringewise.record.bodies import LookState
from fringewise.record.chain import ARCHIVE, Draft, Entry
from fringewise.record.inspection import Inspection, Required, inspection_of
from fringewise.record.people import Objection, Person, Rules, objections
from fringewise.workflow.ports import Archive


def _no_captures(sha256: str) -> Capture:
    raise InputRefused([Problem("archive", sha256, "captures can't be read at this desk")])


@dataclass(frozen=True, slots=True)
class Desk:
    """Where somebody writes: the archive, who they are, the time, and the shop's rules.

    Attributes
    ----------
    archive : Archive
    author : str
        The person's subject in the archive.
    clock : callable
    rules : Rules
    read : callable
        Reads a kept capture by its hash; InputRefused where it can't be read.
    versions : mapping
        Versions of program, Python and numerical libraries, written down with every result.
    """

    archive: Archive
    author: str
    clock: Clock
    rules: Rules = field(default_factory=Rules)
    read: Callable[[str], Capture] = _no_captures
    versions: Mapping[str, str] = field(default_factory=dict)

    def write(self, *drafts: Draft) -> tuple[Entry, ...]:
        """Write drafts down, all or none.

        Raises
        ------
        InputRefused, NotAllowed, ChangedMeanwhile
            Nothing was written, and why.
        """
        at = self.clock()

        def admit(draft: Draft, person: Person | None, before: Sequence[Entry]) -> Iterable[Objection]:
            return objections(draft, person, at, before, self.rules)

        return self.archive.append(drafts, self.author, at, admit)

    def inspection(self, identity: str) -> Inspection:
        """Give an inspection as it stands.

        Raises
        ------
        InputRefused
            There is none of that name.
        """
        entries = self.archive.entries(identity)
        if not entries:
            raise InputRefused([Problem("archive", identity, "must be an inspection of this archive")])
        return inspection_of(entries)


def add_person(
    desk: Desk, identity: str, name: str, roles: Sequence[str], *, reason: str = "", **more: object
) -> Entry:
    """Write down who a person is; `more` are fields of the entry, such as scope, valid_until, public_key."""
    body = {"name": name, "roles": list(roles), **{key: value for key, value in more.items() if value}}
    (entry,) = desk.write(Draft(ARCHIVE, "person", identity, body, reason))
    return entry


def begin_inspection(
    desk: Desk,
    identity: str,
    card: Mapping[str, Any],
    *,
    limits_sha256: str | None = None,
    invented: bool = False,
) -> Inspection:
    """Begin an inspection from a work card's plain values (format 11)."""
    body = {
        "card": dict(card),
        "technician": desk.author,
        "limits_sha256": limits_sha256,
        "invented": invented,
    }
    desk.write(Draft(identity, "inspection", identity, body, expected_version=0))
    return desk.inspection(identity)


def take_limits(desk: Desk, text: bytes, title: str, source: str | None) -> tuple[str, bool]:
    """Keep a limits book's text, checked before, and write down that it is here; gives its hash, and if new.

    Raises
    ------
    NotAllowed
        Neither a reviewer nor an administrator takes it in.
    """
    sha256 = desk.archive.keep_bytes(text)
    if desk.archive.about("limits", sha256):
        return sha256, False
    body = {"sha256": sha256, "title": title, "source": source}
    desk.write(Draft(ARCHIVE, "limits", sha256, body))
    return sha256, True


def look_again(
    desk: Desk,
    inspection: Inspection,
    look: Required,
    state: LookState,
    *,
    reason: str = "",
    evidence: Sequence[Mapping[str, str]] = (),
    expected_version: int | None = None,
) -> Entry:
    """Say how a look stands now, with what was taken there; earlier evidence of the look is kept."""
    draft = look_draft(
        inspection, look, state, reason=reason, evidence=evidence, expected_version=expected_version
    )
    (entry,) = desk.write(draft)
    return entry


def look_draft(
    inspection: Inspection,
    look: Required,
    state: LookState,
    *,
    reason: str = "",
    evidence: Sequence[Mapping[str, str]] = (),
    expected_version: int | None = None,
) -> Draft:
    """Make the draft that says how a look stands, with its earlier evidence and what is new."""
    before = inspection.looks.get(look.subject)
    kept = [one.model_dump() for one in (before.evidence or ())] if before is not None else []
    new = [dict(one) for one in evidence if one["sha256"] not in {old["sha256"] for old in kept}]
    body = {
        "stage": look.stage,
        "item": look.item,
        "look": look.look,
        "state": state,
        "reason": reason or None,
        "evidence": [*kept, *new],
    }
    return Draft(inspection.identity, "look", look.subject, body, expected_version=expected_version)


def required_look(inspection: Inspection, stage: str, item: str, look: str) -> Required:
    """Find a look that the work card asks for.

    Raises
    ------
    InputRefused
        The card asks for no such look; what it does ask for there is said.
    """
    for one in inspection.required:
        if (one.stage, one.item, one.look) == (stage, item, look):
            return one
    stages = sorted({one.stage for one in inspection.required})
    looks = sorted({one.look for one in inspection.required if one.stage == stage})
    rule = (
        f"must be one of the card's looks at stage {stage}: {', '.join(looks)}"
        if looks
        else f"must be one of the card's stages: {', '.join(stages)}"
    )
    raise InputRefused([Problem("look", f"{stage} / {item} / {look}", rule)])
