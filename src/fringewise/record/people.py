"""Who may do what: roles, authorisations, and what speaks against writing an entry."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from fringewise.record.bodies import (
    ENTRY_KINDS,
    FindingsBody,
    PersonBody,
    Role,
    SignatureBody,
    SubmissionBody,
    checked_body,
)
from fringewise.record.chain import ARCHIVE, Draft, Entry, plain, record_hash
from fringewise.record.inspection import Inspection, inspection_of
from fringewise.record.signatures import signature_holds

MEASURING: Final = frozenset({"findings", "results", "second reading", "submission"})
"""Kinds of entries by which a person measures: who wrote one may be barred from signing it."""

CORRECTED: Final = frozenset({"inspection", "findings", "results", "verification", "limits", "person"})
"""Kinds of entries whose next version is a correction and so states its reason."""

ROLE_FOR: Final[Mapping[str, frozenset[Role]]] = {
    "inspection": frozenset({"technician"}),
    "intake": frozenset({"technician", "reviewer", "administrator"}),
    "look": frozenset({"technician"}),
    "findings": frozenset({"technician"}),
    "results": frozenset({"technician"}),
    "verdicts": frozenset({"technician"}),
    "submission": frozenset({"technician"}),
    "second reading": frozenset({"technician", "reviewer"}),
    "signature": frozenset({"reviewer"}),
    "doubt": frozenset({"technician", "reviewer"}),
    "recheck": frozenset({"technician", "reviewer", "administrator"}),
    "verification": frozenset({"technician", "reviewer"}),
    "limits": frozenset({"reviewer", "administrator"}),
    "person": frozenset({"administrator"}),
}
"""Which roles may write which kind of entry."""


BARRED_WHEN_LAPSED: Final = frozenset({"submission", "signature", "limits", "person"})
"""What nobody writes after their authorisation ran out. Work itself is kept all the same, and it is said."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody known to the archive, with what they are authorised for."""

    identity: str
    name: str
    roles: frozenset[Role]
    scope: str = ""
    valid_until: date | None = None
    public_key: str = ""

    def lapsed(self, day: date) -> bool:
        """Whether the authorisation has run out on that day."""
        return self.valid_until is not None and day > self.valid_until


@dataclass(frozen=True, slots=True)
class Objection:
    """Something that speaks against writing an entry; `changed` where somebody else was quicker."""

    words: str
    changed: bool = False


@dataclass(frozen=True, slots=True)
class Rules:
    """What a shop asks for: `two_people` bars everybody from signing what they measured themselves."""

    two_people: bool = True


def lapses(entries: Sequence[Entry], people: Mapping[str, Person]) -> tuple[str, ...]:
    """Say whose authorisation had run out when they wrote entries of an inspection, one line a person."""
    found: dict[str, str] = {}
    for entry in entries:
        person = people.get(entry.author)
        if person is not None and person.lapsed(entry.at.date()):
            first = found.get(entry.author) or entry.at.date().isoformat()
            found[entry.author] = first
    return tuple(
        f"the authorisation of {people[name].name} ran out on {people[name].valid_until}; "
        f"they worked here on {day}"
        for name, day in found.items()
    )


def person_of(entry: Entry) -> Person:
    """Make a person from the entry that states them."""
    body = checked_body("person", entry.body)
    assert isinstance(body, PersonBody)
    until = date.fromisoformat(body.valid_until) if body.valid_until else None
    return Person(
        entry.subject, body.name, frozenset(body.roles), body.scope or "", until, body.public_key or ""
    )


def objections(
    draft: Draft, author: Person | None, at: datetime, entries: Sequence[Entry], rules: Rules
) -> Iterator[Objection]:
    """Say what speaks against writing a draft; nothing where it may be written.

    Parameters
    ----------
    draft : Draft
        Its body has been checked.
    author : Person, optional
        None where the archive knows nobody yet: then the first to be written down is an administrator.
    at : datetime
    entries : sequence of Entry
        All entries of the draft's inspection so far; of the archive's own, those about the same kind and
        subject.
    rules : Rules
    """
    if author is None:
        first = draft.kind == "person" and "administrator" in draft.body.get("roles", ())
        if not first:
            yield Objection("nobody is known here yet: the first person written down is an administrator")
        return
    yield from map(Objection, _by_role(draft, author, at))
    yield from _by_version(draft, entries)
    if draft.inspection != ARCHIVE:
        yield from map(Objection, _by_state(draft, author, entries, rules))


def _by_state(draft: Draft, author: Person, entries: Sequence[Entry], rules: Rules) -> Iterator[str]:
    if not entries:
        if draft.kind != "inspection":
            yield f"there is no inspection {draft.inspection}: begin it first"
        return
    inspection = inspection_of(entries)
    if inspection.state == "signed" and not ENTRY_KINDS[draft.kind].after_signing:
        yield f"inspection {draft.inspection} is signed and sealed: add a doubt beside it instead"
    if draft.kind == "findings":
        yield from _by_findings(draft, inspection)
    if draft.kind == "second reading":
        yield from _by_second_reading(draft, author, inspection)
    if draft.kind == "submission":
        yield from _by_submission(draft, inspection)
    if draft.kind == "signature":
        yield from _by_signature(draft, author, inspection, rules)


def _by_role(draft: Draft, author: Person, at: datetime) -> Iterator[str]:
    wanted = ROLE_FOR[draft.kind]
    if not author.roles & wanted:
        yield f"{author.name} has not the role for this ({' or '.join(sorted(wanted))} needed)"
    if draft.kind in BARRED_WHEN_LAPSED and author.lapsed(at.date()):
        yield f"the authorisation of {author.name} ran out on {author.valid_until}"


def _by_version(draft: Draft, entries: Sequence[Entry]) -> Iterator[Objection]:
    before = [entry for entry in entries if entry.key == (draft.kind, draft.subject)]
    version = before[-1].version if before else 0
    if draft.expected_version is not None and draft.expected_version != version:
        who = before[-1].author if before else "nobody"
        yield Objection(
            f"{draft.kind} {draft.subject} was changed meanwhile by {who} (it is at version {version}, yours "
            f"began from {draft.expected_version}): look at it again; nothing was lost",
            changed=True,
        )
    corrects = bool(before) and draft.kind in CORRECTED and dict(before[-1].body) != plain(draft.body)
    if corrects and not draft.reason.strip():
        yield Objection(f"{draft.kind} {draft.subject} is there already: a correction needs its reason")


def _by_findings(draft: Draft, inspection: Inspection) -> Iterator[str]:
    """A finding's id stands for one finding of the inspection."""
    body = checked_body("findings", draft.body)
    assert isinstance(body, FindingsBody)
    used = {
        one.id: capture
        for capture, other in inspection.findings.items()
        if capture != draft.subject
        for one in other.document.findings
    }
    for one in body.document.findings:
        if one.id in used:
            yield f"the finding id {one.id} is taken on capture {used[one.id][:12]}: give it another"


def _by_second_reading(draft: Draft, author: Person, inspection: Inspection) -> Iterator[str]:
    """A second reading is another person's, of something that has a first one."""
    capture = str(draft.body.get("sha256"))
    first = [one for one in inspection.entries if one.kind == "findings" and one.subject == capture]
    if not first:
        yield f"capture {capture[:12]} has no first reading yet"
    if any(one.author == author.identity for one in first):
        yield f"{author.name} marked this capture first: somebody else takes the second reading"


def _by_submission(draft: Draft, inspection: Inspection) -> Iterator[str]:
    body = checked_body("submission", draft.body)
    assert isinstance(body, SubmissionBody)
    if body.record_sha256 != record_hash(inspection.entries):
        yield "the record has changed since it was looked at: look again, then submit"
    if not inspection.complete and not body.incomplete:
        yield f"{len(inspection.unseen)} looks are missing: it can only be submitted as incomplete"


def _by_signature(draft: Draft, author: Person, inspection: Inspection, rules: Rules) -> Iterator[str]:
    body = checked_body("signature", draft.body)
    assert isinstance(body, SignatureBody)
    if inspection.state != "submitted":
        yield "only a submitted inspection can be signed"
    if body.record_sha256 != record_hash(inspection.entries):
        yield "the record has changed since it was looked at: look again, then sign"
    if body.signer != author.identity or body.public_key != author.public_key:
        yield f"the signature is not made with the key of {author.name}"
    if not signature_holds(draft.inspection, draft.body):
        yield "the signature does not hold"
    if not inspection.complete and not body.incomplete:
        yield f"{len(inspection.unseen)} looks are missing: it can only be signed as incomplete"
    own = [
        entry for entry in inspection.entries if entry.author == author.identity and entry.kind in MEASURING
    ]
    if rules.two_people and own:
        yield f"{author.name} measured here: somebody else signs"
