"""What the entries of each kind say, as documents that are checked before they are written down."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal

from pydantic import Field

from fringewise.core.documents import Broken, Count, Day, Moment, Name, Part, Sha256, Text, YesNo
from fringewise.core.documents.reading import checked
from fringewise.core.errors import InputRefused
from fringewise.equipment.documents import VerificationDocument
from fringewise.findings.documents import FindingsDocument
from fringewise.findings.result_documents import ResultsDocument
from fringewise.record.documents import WorkCardDocument
from fringewise.verdict.documents import VerdictsDocument

LookState = Literal["to do", "done, nothing found", "findings", "could not be seen"]
EvidenceKind = Literal["capture", "photo", "video"]
Role = Literal["technician", "reviewer", "administrator"]

MOST_EVIDENCE: Final = 1000


class InspectionBody(Part):
    """An inspection as it was begun: its work card, and what applies to it."""

    card: WorkCardDocument
    technician: Name
    limits_sha256: Sha256 | None = None
    invented: YesNo | None = None


class EvidenceBody(Part):
    """One thing that was taken at a look; a capture is named by its own hash."""

    kind: EvidenceKind
    sha256: Sha256
    name: Name


class IntakeBody(Part):
    """Something that was taken in and kept; of a capture, what it says of itself."""

    kind: EvidenceKind
    sha256: Sha256
    name: Name
    files: Count
    captured_at: Moment | None = None
    head: Name | None = None
    head_sha256: Sha256 | None = None
    probe: Name | None = None
    measurable: YesNo | None = None


class LookBody(Part):
    """How one look at one item stands."""

    stage: Name
    item: Name
    look: Name
    state: LookState
    reason: Text | None = None
    evidence: Annotated[tuple[EvidenceBody, ...], Field(max_length=MOST_EVIDENCE)] | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.state == "could not be seen" and not (self.reason or "").strip():
            yield Broken("reason", "must say why it could not be seen")


class FindingsBody(Part):
    """What was marked on one capture or photo."""

    sha256: Sha256
    look: Name
    document: FindingsDocument


class ResultsBody(Part):
    """What was measured on one capture: with which versions, from which entry of marks."""

    sha256: Sha256
    findings_entry: Sha256
    seed: Count
    versions: Mapping[Name, Text]
    document: ResultsDocument


class VerdictsBody(Part):
    """What the limits book says about the results of an inspection."""

    results_entries: Annotated[tuple[Sha256, ...], Field(max_length=100_000)]
    left_out: Mapping[Name, Text] | None = None
    document: VerdictsDocument


class LimitsBody(Part):
    """A limits book as it was taken in: its text is an object of this hash."""

    sha256: Sha256
    title: Text
    source: Text | None = None


class PersonBody(Part):
    """Who may do what: roles, scope, until when, and the keys that signatures are checked with."""

    name: Name
    roles: Annotated[tuple[Role, ...], Field(min_length=1, max_length=3)]
    scope: Text | None = None
    valid_until: Day | None = None
    public_key: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None
    certificate: Text | None = None


class SubmissionBody(Part):
    """The technician's word that the work is done as recorded."""

    record_sha256: Sha256
    incomplete: YesNo
    statement: Text | None = None


class ReadingBody(Part):
    """A second reading of a capture: its own marks, and what was measured by them."""

    sha256: Sha256
    blind: YesNo
    findings: FindingsDocument
    seed: Count
    versions: Mapping[Name, Text]
    document: ResultsDocument


class SignatureBody(Part):
    """A reviewer's signature over the record's hash (Ed25519, hexadecimal)."""

    record_sha256: Sha256
    signer: Name
    public_key: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    signature: Annotated[str, Field(pattern=r"^[0-9a-f]{128}$")]
    incomplete: YesNo
    statement: Text | None = None


class DoubtBody(Part):
    """A doubt that came up later; it stands beside what was signed and changes none of it."""

    words: Annotated[str, Field(min_length=1, max_length=10_000)]
    verification_entry: Sha256 | None = None
    touches: Annotated[tuple[Text, ...], Field(max_length=100_000)] | None = None


class RecheckBody(Part):
    """What came of computing every stored number of an inspection again."""

    versions: Mapping[Name, Text]
    compared: Count
    differ: Annotated[tuple[Text, ...], Field(max_length=100_000)]
    outcome: Literal["all agree", "some differ", "could not be done"]


@dataclass(frozen=True, slots=True)
class EntryKind:
    """A kind of entry: its name, the document of its body, and what it is.

    `after_signing` says whether it may still be written for an inspection that is signed.
    """

    name: str
    body: type[Part]
    words: str
    after_signing: bool = False


_KINDS: Final = (
    EntryKind("inspection", InspectionBody, "an inspection is begun, or its card is corrected"),
    EntryKind("look", LookBody, "how a look stands"),
    EntryKind("findings", FindingsBody, "what was marked on a capture"),
    EntryKind("results", ResultsBody, "what was measured on a capture"),
    EntryKind("verdicts", VerdictsBody, "what the limits book says"),
    EntryKind("second reading", ReadingBody, "a second reading"),
    EntryKind("submission", SubmissionBody, "the technician submits the inspection"),
    EntryKind("signature", SignatureBody, "a reviewer signs the inspection"),
    EntryKind("doubt", DoubtBody, "a doubt that came up later", after_signing=True),
    EntryKind("recheck", RecheckBody, "the stored numbers were computed again", after_signing=True),
    EntryKind("intake", IntakeBody, "a capture, photo or video was taken in", after_signing=True),
    EntryKind("verification", VerificationDocument, "a head was tried on a block", after_signing=True),
    EntryKind("limits", LimitsBody, "a limits book was taken in", after_signing=True),
    EntryKind("person", PersonBody, "who a person is and what they may do", after_signing=True),
)

ENTRY_KINDS: Final[Mapping[str, EntryKind]] = {kind.name: kind for kind in _KINDS}
"""The one table of what may be written down."""


def checked_body(kind: str, body: Mapping[str, Any], where: str = "entry") -> Part:
    """Check what an entry says; InputRefused names every problem.

    Raises
    ------
    ValueError
        There is no such kind of entry.
    """
    if kind not in ENTRY_KINDS:
        raise ValueError(f"no entries of the kind {kind!r}")
    document, problems = checked(ENTRY_KINDS[kind].body, body, where)
    if document is None or problems:
        raise InputRefused(problems)
    return document
