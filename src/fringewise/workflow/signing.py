"""Sign-off: submitting, a second reading, the reviewer's signature, and doubts that come up later."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from fringewise.core.documents import moment_of
from fringewise.core.errors import NotAllowed, refuse
from fringewise.core.progress import Progress, Silent
from fringewise.equipment.documents import VerificationDocument
from fringewise.findings.documents import findings_document
from fringewise.findings.finding import Finding
from fringewise.record.bodies import IntakeBody, ReadingBody, checked_body
from fringewise.record.chain import ARCHIVE, Draft, Entry, record_hash
from fringewise.record.inspection import Inspection
from fringewise.record.people import Person, lapses, person_of
from fringewise.record.second_reading import Disagreement, disagreements
from fringewise.record.signatures import signature_faults
from fringewise.workflow.inspecting import SEED, evidence_of, measured_document
from fringewise.workflow.intake import find_taken
from fringewise.workflow.judging import decide_inspection
from fringewise.workflow.keeping import Desk

_SILENT = Silent()


class Signer(Protocol):
    """Somebody's unlocked key for records."""

    @property
    def public_key(self) -> str:
        """The public key, hexadecimal."""

    def sign(self, inspection: str, body: Mapping[str, object]) -> str:
        """Sign what a signature's entry says."""


@dataclass(frozen=True, slots=True)
class Review:
    """What a reviewer is told before signing.

    Attributes
    ----------
    record_sha256 : str
    unseen : tuple of str
        Looks that were not seen.
    said : tuple of str
        What speaks against it without barring it: authorisations that ran out, readings that disagree,
        outcomes that don't stand yet, doubts.
    """

    record_sha256: str
    unseen: tuple[str, ...]
    said: tuple[str, ...]


def submit(desk: Desk, identity: str, *, incomplete: bool = False, statement: str = "") -> Entry:
    """Submit an inspection as it stands for review; its limits book is asked first where that is due.

    Raises
    ------
    NotAllowed
        Looks are missing and it is not submitted as incomplete; or who asks has not the role.
    """
    inspection = desk.inspection(identity)
    if inspection.state == "signed":
        raise NotAllowed(f"inspection {identity} is signed and sealed")
    if inspection.about.limits_sha256 is not None and not inspection.decided and inspection.findings:
        decide_inspection(desk, inspection)
        inspection = desk.inspection(identity)
    body = {
        "record_sha256": record_hash(inspection.entries),
        "incomplete": incomplete,
        "statement": statement or None,
    }
    (entry,) = desk.write(Draft(identity, "submission", identity, body))
    return entry


def review_of(desk: Desk, inspection: Inspection) -> Review:
    """Gather what a reviewer has to know before signing."""
    people = people_of(desk)
    unseen = tuple(f"{one.subject}: {inspection.state_of(one)}" for one in inspection.unseen)
    said = [
        *lapses(inspection.entries, people),
        *_not_measured(inspection),
        *(one.words for one in all_disagreements(inspection)),
        *(body.words for body in inspection.doubts.values()),
        *_provisional(inspection),
    ]
    return Review(inspection.sealed_sha256, unseen, tuple(said))


def sign(
    desk: Desk,
    inspection: Inspection,
    signer: Signer,
    *,
    incomplete: bool = False,
    statement: str = "",
) -> Entry:
    """Sign a submitted inspection as it was looked at; from then on it is sealed.

    Parameters
    ----------
    desk : Desk
        Of the reviewer.
    inspection : Inspection
        As it was looked at: a record that has changed since is refused.
    signer : Signer
        The reviewer's key.
    incomplete : bool
        Signed although looks are missing.
    statement : str

    Raises
    ------
    NotAllowed
        Who asks has not the role, measured here themselves, or uses another key than the archive has.
    """
    body: dict[str, object] = {
        "record_sha256": record_hash(inspection.entries),
        "signer": desk.author,
        "incomplete": incomplete,
        "statement": statement or None,
    }
    body |= {"public_key": signer.public_key, "signature": signer.sign(inspection.identity, body)}
    (entry,) = desk.write(Draft(inspection.identity, "signature", desk.author, body))
    return entry


def read_again(
    desk: Desk,
    inspection: Inspection,
    sha256: str,
    findings: Sequence[Finding],
    *,
    blind: bool = True,
    progress: Progress = _SILENT,
) -> tuple[Entry, tuple[Disagreement, ...]]:
    """Take a second reading of a capture: another person's marks, measured; gives what disagrees.

    Parameters
    ----------
    desk : Desk
    inspection : Inspection
    sha256 : str
    findings : sequence of Finding
    blind : bool
        Whether the reader has not seen the first reading; their word.
    progress : Progress
    """
    taken = find_taken(desk, sha256)
    if taken.kind != "capture":
        raise refuse(inspection.identity, taken.name, "must be a capture: nothing can be measured on it")
    document, _, _ = measured_document(desk, findings, desk.read(taken.sha256), taken.sha256, progress)
    body = {
        "sha256": taken.sha256,
        "blind": blind,
        "findings": findings_document(findings),
        "seed": SEED,
        "versions": dict(desk.versions),
        "document": document,
    }
    subject = f"{taken.sha256} / {desk.author}"
    (entry,) = desk.write(Draft(inspection.identity, "second reading", subject, body))
    read = checked_body("second reading", entry.body)
    assert isinstance(read, ReadingBody)
    return entry, _disagreements(inspection, read)


def all_disagreements(inspection: Inspection) -> tuple[Disagreement, ...]:
    """Everything on which second readings disagree with the first as it stands."""
    return tuple(
        one for body in inspection.second_readings.values() for one in _disagreements(inspection, body)
    )


def add_doubt(desk: Desk, identity: str, words: str) -> Entry:
    """Put a doubt beside an inspection, signed or not; nothing of it is changed."""
    inspection = desk.inspection(identity)
    (entry,) = desk.write(_doubt(inspection, {"words": words}))
    return entry


def record_verification(desk: Desk, document: Mapping[str, object]) -> tuple[Entry, tuple[str, ...]]:
    """Write a verification down; where it did not pass, doubt every inspection since the last that did.

    The verification and all doubts are written together or not at all.

    Returns
    -------
    (Entry, tuple of str)
        The verification's entry, and the inspections that are doubted.
    """
    body = checked_body("verification", dict(document))
    assert isinstance(body, VerificationDocument)
    subject = f"{body.head} / {body.done_at}"
    drafts = [Draft(ARCHIVE, "verification", subject, dict(document))]
    if body.outcome != "passed":
        drafts += _doubts_since(desk, body)
    entries = desk.write(*drafts)
    return entries[0], tuple(one.inspection for one in entries[1:])


def people_of(desk: Desk) -> dict[str, Person]:
    """Everybody whom the archive knows, as they stand now."""
    return {entry.subject: person_of(entry) for entry in desk.archive.about("person")}


def faults_of_signature(desk: Desk, inspection: Inspection) -> tuple[str, ...]:
    """Say what is wrong with an inspection's signature; nothing where there is none."""
    return tuple(signature_faults(inspection.entries, desk.archive.about("person")))


def _disagreements(inspection: Inspection, second: ReadingBody) -> tuple[Disagreement, ...]:
    marks, results = inspection.findings.get(second.sha256), inspection.results.get(second.sha256)
    if marks is None or results is None:
        return ()
    return disagreements((marks.document, results.document), (second.findings, second.document))


def _not_measured(inspection: Inspection) -> Iterator[str]:
    waiting = set(inspection.findings) - set(inspection.current_results)
    yield from (f"marks on {one[:12]} are not measured yet" for one in sorted(waiting))


def _provisional(inspection: Inspection) -> Iterator[str]:
    if inspection.verdicts is None:
        return
    reasons = {reason for one in inspection.verdicts.document.findings for reason in one.provisional or ()}
    yield from (f"does not stand yet: {reason}" for reason in sorted(reasons))


def _doubts_since(desk: Desk, failed: VerificationDocument) -> Iterator[Draft]:
    """Doubt every inspection that rests on captures since the head's last good verification."""
    done_at = moment_of(failed.done_at)
    since = last_good(desk, failed)
    captures = _captures_of(desk, failed.head, since, done_at)
    began = f"since the last that passed, on {since:%Y-%m-%d %H:%M}" if since else "and none passed before"
    words = (
        f"head {failed.head} did not pass its verification of {done_at:%Y-%m-%d %H:%M} "
        f"(outcome: {failed.outcome}), {began}: what was measured between is in doubt"
    )
    for name in desk.archive.inspection_names():
        inspection = desk.inspection(name)
        touches = list(_touched(inspection, captures))
        if touches:
            yield _doubt(inspection, {"words": words, "touches": touches})


def last_good(desk: Desk, failed: VerificationDocument) -> datetime | None:
    """When the head last passed a verification before the one that failed; None where it never did."""
    before = [
        moment_of(body.done_at)
        for entry in desk.archive.about("verification")
        if isinstance(body := checked_body("verification", entry.body), VerificationDocument)
        and body.head == failed.head
        and body.outcome == "passed"
        and moment_of(body.done_at) < moment_of(failed.done_at)
    ]
    return max(before, default=None)


def _captures_of(desk: Desk, head: str, since: datetime | None, until: datetime) -> set[str]:
    found = set()
    for entry in desk.archive.about("intake"):
        body = checked_body("intake", entry.body)
        assert isinstance(body, IntakeBody)
        if body.head != head or body.captured_at is None:
            continue
        taken = moment_of(body.captured_at)
        if taken <= until and (since is None or taken > since):
            found.add(body.sha256)
    return found


def _touched(inspection: Inspection, captures: set[str]) -> Iterator[str]:
    """The engine, findings and decisions of an inspection that rest on captures."""
    engine = inspection.about.card.engine.serial
    own = [(look, one) for look, one in evidence_of(inspection) if one.sha256 in captures]
    found = [one for one in inspection.all_findings if one.capture in captures]
    if not own and not found:
        return
    outcome = inspection.outcome.replace("_", " ") or "not decided"
    yield f"engine {engine}, inspection {inspection.identity}: {outcome}, {inspection.state}"
    for one in found:
        decided = one.outcome.replace("_", " ") or "not decided"
        yield f"{one.identity} {one.kind.replace('_', ' ')}, {one.look}: {decided}"
    seen = {look.subject: inspection.state_of(look) for look, _ in own}
    yield from (f"{look}: {state}" for look, state in seen.items() if state == "done, nothing found")


def _doubt(inspection: Inspection, body: Mapping[str, object]) -> Draft:
    number = len(inspection.doubts) + 1
    return Draft(inspection.identity, "doubt", f"doubt {number}", dict(body), expected_version=0)
