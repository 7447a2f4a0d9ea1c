"""An inspection as its entries tell it: what has to be looked at, what was found, and how far it has come."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal, TypeVar

from fringewise.core.documents import Part
from fringewise.record.bodies import (
    DoubtBody,
    FindingsBody,
    InspectionBody,
    LookBody,
    LookState,
    ReadingBody,
    ResultsBody,
    SignatureBody,
    SubmissionBody,
    VerdictsBody,
    checked_body,
)
from fringewise.record.chain import Entry, record_hash

State = Literal["open", "submitted", "signed"]
_Body = TypeVar("_Body", bound=Part)

_MOST_CHECKED: Final = 20_000
_CHECKED: dict[str, Part] = {}
"""Bodies by the hash of their entry, the oldest dropped first; entries never change."""

OUTCOMES_FROM_WORST: Final = (
    "reject",
    "not_decided",
    "not_measured",
    "no_rule",
    "blend",
    "inspect_again",
    "serviceable",
)
"""For sorting lists only; what an outcome means is said in `fringewise.verdict`."""


@dataclass(frozen=True, slots=True)
class Required:
    """One look that the work card asks for."""

    stage: str
    item: str
    look: str
    port: str | None = None

    @property
    def subject(self) -> str:
        """What its entries are about."""
        return look_subject(self.stage, self.item, self.look)


@dataclass(frozen=True, slots=True)
class FoundFinding:
    """One finding of an inspection: where it is, whether it was measured, what the limits book says."""

    capture: str
    identity: str
    kind: str
    look: str
    stage: str
    item: str
    zone: str
    damage: str
    status: str
    outcome: str


@dataclass(frozen=True)
class Inspection:
    """An inspection, made from its entries by `inspection_of`.

    Attributes
    ----------
    identity : str
    entries : tuple of Entry
        All of it, in order.
    bodies : mapping
        The checked body of the latest version about each (kind, subject).
    """

    identity: str
    entries: tuple[Entry, ...]
    bodies: Mapping[tuple[str, str], Part] = field(repr=False)

    @cached_property
    def latest(self) -> dict[tuple[str, str], Entry]:
        """The latest entry about each (kind, subject)."""
        return {entry.key: entry for entry in self.entries}

    @cached_property
    def about(self) -> InspectionBody:
        """The work card and what applies; KeyError before the inspection is begun."""
        body = self.bodies["inspection", self.identity]
        assert isinstance(body, InspectionBody)
        return body

    @cached_property
    def required(self) -> tuple[Required, ...]:
        """Every look that the card asks for, in its order."""
        return tuple(_required(self.about))

    @cached_property
    def looks(self) -> dict[str, LookBody]:
        """How each look stands that somebody has said something about, by subject."""
        return self._all("look", LookBody)

    @property
    def findings(self) -> dict[str, FindingsBody]:
        """What is marked, by capture."""
        return self._all("findings", FindingsBody)

    @property
    def results(self) -> dict[str, ResultsBody]:
        """What was measured, by capture."""
        return self._all("results", ResultsBody)

    @property
    def current_results(self) -> dict[str, ResultsBody]:
        """What was measured by the marks as they stand now, by capture; marks not measured yet have none."""
        return {
            capture: one
            for capture, one in self.results.items()
            if ("findings", capture) in self.latest
            and one.findings_entry == self.latest["findings", capture].sha256
        }

    @property
    def verdicts(self) -> VerdictsBody | None:
        """What the limits book says, where that was asked."""
        return next(iter(self._all("verdicts", VerdictsBody).values()), None)

    @property
    def decided(self) -> bool:
        """Whether the limits book was asked about all results as they stand now."""
        if self.verdicts is None:
            return False
        stand = {self.latest["results", capture].sha256 for capture in self.current_results}
        return stand == set(self.verdicts.results_entries) and len(stand) == len(self.findings)

    def state_of(self, look: Required) -> LookState:
        """How a required look stands: ``to do`` where nobody has said anything."""
        said = self.looks.get(look.subject)
        return said.state if said is not None else "to do"

    @cached_property
    def left(self) -> tuple[Required, ...]:
        """Looks that are still to do."""
        return tuple(look for look in self.required if self.state_of(look) == "to do")

    @cached_property
    def unseen(self) -> tuple[Required, ...]:
        """Looks that are to do or could not be done."""
        return tuple(look for look in self.required if self.state_of(look) in {"to do", "could not be seen"})

    @property
    def complete(self) -> bool:
        """Whether every look that the card asks for was seen."""
        return not self.unseen

    @property
    def state(self) -> State:
        """How far the inspection has come; work after a submission opens it again."""
        last: State = "open"
        for entry in self.entries:
            if entry.kind == "signature":
                return "signed"
            if entry.kind == "submission":
                last = "submitted"
            elif entry.kind not in {"doubt", "recheck", "second reading"}:
                last = "open"
        return last

    @property
    def submission(self) -> tuple[Entry, SubmissionBody] | None:
        """The last submission, where there is one."""
        return self._last("submission", SubmissionBody)

    @property
    def signature(self) -> tuple[Entry, SignatureBody] | None:
        """The signature, where there is one."""
        return self._last("signature", SignatureBody)

    @property
    def doubts(self) -> dict[str, DoubtBody]:
        """Doubts that came up, by what they are called."""
        return self._all("doubt", DoubtBody)

    @property
    def second_readings(self) -> dict[str, ReadingBody]:
        """Second readings, by capture and reader."""
        return self._all("second reading", ReadingBody)

    @property
    def sealed_sha256(self) -> str:
        """Hash of the record as it stands: of what was signed, or would be."""
        signed = next((n for n, entry in enumerate(self.entries) if entry.kind == "signature"), None)
        return record_hash(self.entries if signed is None else self.entries[:signed])

    @cached_property
    def all_findings(self) -> tuple[FoundFinding, ...]:
        """Every finding marked, with what came of it."""
        return tuple(_found(self))

    @property
    def outcome(self) -> str:
        """Worst outcome that the limits book gave; empty where it was not asked about what stands now."""
        return self.verdicts.document.outcome if self.verdicts is not None and self.decided else ""

    @cached_property
    def provisional(self) -> frozenset[str]:
        """Findings whose outcome does not stand yet, by their id."""
        if self.verdicts is None or not self.decided:
            return frozenset()
        return frozenset(one.id for one in self.verdicts.document.findings if one.provisional)

    @property
    def outcome_stands(self) -> bool:
        """Whether the worst outcome stands: no finding, blade, stage or count holds it back."""
        if self.verdicts is None or not self.decided or self.provisional:
            return False
        document = self.verdicts.document
        return not any(one.provisional for one in document.groups or ())

    def _all(self, kind: str, body: type[_Body]) -> dict[str, _Body]:
        return {
            subject: one
            for (said, subject), one in self.bodies.items()
            if said == kind and isinstance(one, body)
        }

    def _last(self, kind: str, body: type[_Body]) -> tuple[Entry, _Body] | None:
        found = [entry for entry in self.entries if entry.kind == kind]
        if not found:
            return None
        said = _body_of(found[-1])
        assert isinstance(said, body)
        return found[-1], said


def look_subject(stage: str, item: str, look: str) -> str:
    """Name a look, for the entries about it.

    Examples
    --------
    >>> look_subject("compressor 3", "7", "pressure side")
    'compressor 3 / 7 / pressure side'
    """
    return f"{stage} / {item} / {look}"


def inspection_of(entries: Sequence[Entry]) -> Inspection:
    """Make the inspection that entries (all of one inspection, in order) tell.

    Raises
    ------
    ValueError
        There are none, or they belong to several inspections.
    InputRefused
        An entry does not say what its kind must say.
    """
    names = {entry.inspection for entry in entries}
    if len(names) != 1:
        raise ValueError(f"the entries must be of one inspection (found {len(names)})")
    bodies = {key: _body_of(entry) for key, entry in _latest(entries).items()}
    return Inspection(names.pop(), tuple(entries), bodies)


def _body_of(entry: Entry) -> Part:
    """Check an entry's body once: its hash stands for it from then on."""
    known = _CHECKED.get(entry.sha256)
    if known is None:
        known = checked_body(entry.kind, entry.body, f"entry {entry.sequence}")
        if len(_CHECKED) >= _MOST_CHECKED:
            _CHECKED.pop(next(iter(_CHECKED)), None)
        _CHECKED[entry.sha256] = known
    return known


def _latest(entries: Iterable[Entry]) -> dict[tuple[str, str], Entry]:
    return {entry.key: entry for entry in entries}


def _required(about: InspectionBody) -> Iterator[Required]:
    for stage in about.card.stage:
        for number in range(1, stage.items + 1):
            for look in stage.looks or ():
                yield Required(stage.name, str(number), look.name, look.port)


def _found(inspection: Inspection) -> Iterator[FoundFinding]:
    outcomes = {}
    if inspection.verdicts is not None and inspection.decided:
        outcomes = {one.id: one.outcome for one in inspection.verdicts.document.findings}
    results = inspection.current_results
    for capture, body in inspection.findings.items():
        measured = results.get(capture)
        status = {one.id: one.status for one in measured.document.findings} if measured else {}
        look = inspection.looks.get(body.look)
        for one in body.document.findings:
            yield FoundFinding(
                capture, one.id, one.kind, body.look,
                one.stage or (look.stage if look else ""), one.item or (look.item if look else ""),
                one.zone or "", one.damage or "", status.get(one.id, ""), outcomes.get(one.id, ""),
            )  # fmt: skip
