"""Working through an inspection: what is taken at a look, marked on it, measured and decided."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from fringewise.capture.capture import Capture
from fringewise.core.errors import InputRefused, NotMeasurable, Problem
from fringewise.core.progress import Progress, Silent
from fringewise.findings.documents import findings_document, findings_from_document, refuse_marks_outside
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.result_documents import CaptureSummary, results_document
from fringewise.record.bodies import EvidenceBody, LookState
from fringewise.record.chain import Draft, Entry
from fringewise.record.inspection import Inspection, Required
from fringewise.workflow.intake import Taken, find_taken
from fringewise.workflow.keeping import Desk, look_again, look_draft
from fringewise.workflow.measure import Measurement, measure, photo_shape

SEED: Final = 20260314
"""Of the draws of every measurement on record: the same frames and marks give the same numbers again."""

_SILENT: Final = Silent()
_NUMBERED: Final = re.compile(r"(.*?)(\d{1,9})")


@dataclass(frozen=True, slots=True)
class Measured:
    """What marking and measuring wrote down; `measurement` is absent where no surface could be made."""

    findings: Entry
    results: Entry
    outcomes: tuple[FindingResult, ...]
    measurement: Measurement | None


def attach(
    desk: Desk,
    inspection: Inspection,
    look: Required,
    taken: Sequence[Taken],
    state: LookState | None = None,
) -> Entry:
    """Put what was taken in to a look; the look stands as before, or as `state` says."""
    said: LookState = state or inspection.state_of(look)
    return look_again(desk, inspection, look, said, evidence=[one.evidence for one in taken])


def mark_and_measure(
    desk: Desk,
    inspection: Inspection,
    sha256: str,
    findings: Sequence[Finding],
    look: Required | None = None,
    *,
    reason: str = "",
    expected_version: int | None = None,
    capture: Capture | None = None,
    progress: Progress = _SILENT,
) -> Measured:
    """Write down what was marked on a capture or photo, measure it, write down the results.

    The marks are safe before measuring begins. They stand for all findings of this capture in the inspection:
    marked again, they are a correction with its `reason`.

    Parameters
    ----------
    desk : Desk
    inspection : Inspection
    sha256 : str
        The capture or photo, taken in before.
    findings : sequence of Finding
        Stage, item and part are filled in from the look where they say none.
    look : Required, optional
        At which look it was taken; where absent, the look that names it as evidence.
    reason : str
        For a correction.
    expected_version : int, optional
        Version of the marks that this began from.
    capture : Capture, optional
        The same, where it has been read already.
    progress : Progress

    Raises
    ------
    InputRefused
        A finding's id is taken on another capture of the inspection, or a mark lies outside the photo.
    NotAllowed, ChangedMeanwhile
        As for `Desk.write`.
    """
    body = find_taken(desk, sha256)
    where = look or look_with(inspection, sha256)
    placed = [_placed(one, inspection, where) for one in findings]
    refuse_taken_ids(inspection, sha256, placed)
    if body.kind == "capture" and capture is None:
        capture = desk.read(sha256)
    if capture is not None:
        _refuse_outside(placed, capture)
    marks = _write_marks(desk, inspection, where, body.model_dump(), placed, reason, expected_version)
    document, outcomes, made = measured_document(desk, placed, capture, sha256, progress)
    entry = _write_results(desk, inspection, marks, document)
    return Measured(marks, entry, outcomes, made)


def measure_again(
    desk: Desk, inspection: Inspection, sha256: str, reason: str = "", progress: Progress = _SILENT
) -> Measured:
    """Measure the marks on record anew, with the present program; the old results stay as they are."""
    marks = inspection.latest["findings", sha256]
    findings = findings_from_document(inspection.findings[sha256].document)
    capture = desk.read(sha256) if find_taken(desk, sha256).kind == "capture" else None
    document, outcomes, made = measured_document(desk, findings, capture, sha256, progress)
    return Measured(marks, _write_results(desk, inspection, marks, document, reason), outcomes, made)


def measure_waiting(
    desk: Desk, inspection: Inspection, reason: str = "", progress: Progress = _SILENT
) -> list[Measured]:
    """Measure all marks that have no results yet, as after a break; with a `reason` all marks, anew."""
    current = {} if reason else inspection.current_results
    waiting = [capture for capture in inspection.findings if capture not in current]
    return [measure_again(desk, inspection, capture, reason, progress) for capture in waiting]


def measured_document(
    desk: Desk,
    findings: Sequence[Finding],
    capture: Capture | None,
    sha256: str,
    progress: Progress = _SILENT,
) -> tuple[dict[str, Any], tuple[FindingResult, ...], Measurement | None]:
    """Measure findings; gives the results' document (format 5), what came of each, and the measurement."""
    outcomes, summary, made = _measured(findings, capture, sha256, progress)
    return results_document(outcomes, summary, _program(desk)), outcomes, made


def look_with(inspection: Inspection, sha256: str) -> Required:
    """Find the look that names something as its evidence.

    Raises
    ------
    InputRefused
        None does.
    """
    for one in inspection.required:
        said = inspection.looks.get(one.subject)
        if said is not None and any(evidence.sha256 == sha256 for evidence in said.evidence or ()):
            return one
    rule = "must be evidence of a look of this inspection: say at which look it was taken"
    raise InputRefused([Problem(inspection.identity, "", rule, sha256)])


def evidence_of(inspection: Inspection) -> Iterator[tuple[Required, EvidenceBody]]:
    """Give everything that was taken at the looks of an inspection, in the card's order."""
    for look in inspection.required:
        said = inspection.looks.get(look.subject)
        for one in (said.evidence or ()) if said is not None else ():
            yield look, one


def next_identity(inspection: Inspection, like: str = "F1") -> str:
    """Give a finding's id that is free in the inspection, numbered on like the one given.

    Examples
    --------
    >>> from fringewise.record.inspection import Inspection
    >>> next_identity(Inspection("W-1", (), {}), "F1")
    'F1'
    """
    used = {one.id for body in inspection.findings.values() for one in body.document.findings}
    return free_identity(used, like)


def free_identity(used: set[str], like: str) -> str:
    """Number an id on until it is free.

    Examples
    --------
    >>> free_identity({"F1", "F2", "F4"}, "F1"), free_identity({"dent"}, "dent"), free_identity(set(), "N7")
    ('F3', 'dent2', 'N7')
    """
    if like not in used:
        return like
    found = _NUMBERED.fullmatch(like)
    stem, first = (found[1], int(found[2])) if found else (like, 1)
    return next(name for n in itertools.count(first + 1) if (name := f"{stem}{n}") not in used)


def renumbered(inspection: Inspection, sha256: str, findings: Sequence[Finding]) -> list[Finding]:
    """Give each finding whose id is taken on another capture the next one that is free."""
    others = {
        one.id
        for capture, body in inspection.findings.items()
        if capture != sha256
        for one in body.document.findings
    }
    made: list[Finding] = []
    used = others | {one.identity for one in findings if one.identity not in others}
    for one in findings:
        free = free_identity(used, one.identity) if one.identity in others else one.identity
        used.add(free)
        made.append(replace(one, identity=free))
    return made


def refuse_taken_ids(inspection: Inspection, sha256: str, findings: Sequence[Finding]) -> None:
    """Raise InputRefused for every finding whose id is taken on another capture; a free one is said."""
    used = {
        one.id: capture
        for capture, body in inspection.findings.items()
        if capture != sha256
        for one in body.document.findings
    }
    problems = []
    taken = set(used) | {one.identity for one in findings}
    for n, one in enumerate(findings):
        if one.identity in used:
            free = free_identity(taken, one.identity)
            taken.add(free)
            rule = (
                f"must be unique in inspection {inspection.identity}: it is taken on capture "
                f"{used[one.identity][:12]}; {free} is free"
            )
            problems.append(Problem("findings", f"findings[{n}].id", rule, one.identity))
    if problems:
        raise InputRefused(problems)


def _placed(finding: Finding, inspection: Inspection, look: Required) -> Finding:
    part = next(one.part for one in inspection.about.card.stage if one.name == look.stage)
    return replace(
        finding,
        stage=finding.stage or look.stage,
        item=finding.item or look.item,
        part=finding.part or part,
    )


def _refuse_outside(findings: Sequence[Finding], capture: Capture) -> None:
    refuse_marks_outside(findings, photo_shape(capture), "findings")


def _write_marks(
    desk: Desk,
    inspection: Inspection,
    look: Required,
    taken: Mapping[str, Any],
    findings: Sequence[Finding],
    reason: str,
    expected_version: int | None,
) -> Entry:
    sha256 = str(taken["sha256"])
    body = {"sha256": sha256, "look": look.subject, "document": findings_document(findings)}
    drafts = [Draft(inspection.identity, "findings", sha256, body, reason, expected_version)]
    said = inspection.looks.get(look.subject)
    named = said is not None and any(one.sha256 == sha256 for one in said.evidence or ())
    if said is None or said.state != "findings" or not named:
        evidence = {name: taken[name] for name in ("kind", "sha256", "name")}
        drafts.insert(0, look_draft(inspection, look, "findings", evidence=[evidence]))
    return desk.write(*drafts)[-1]


def _measured(
    findings: Sequence[Finding], capture: Capture | None, sha256: str, progress: Progress
) -> tuple[tuple[FindingResult, ...], CaptureSummary, Measurement | None]:
    """Measure, or say of every finding why it can't be measured."""
    if capture is None:
        words = "this is a photo or a video: evidence, on which nothing can be measured"
        return tuple(FindingResult(one, reason=words) for one in findings), CaptureSummary(sha256), None
    try:
        made = measure(capture, findings, seed=SEED, progress=progress)
    except NotMeasurable as error:
        head = capture.head.serial if capture.head is not None else ""
        summary = CaptureSummary(sha256, head, captured_at=capture.captured_at.isoformat())
        return tuple(FindingResult(one, reason=str(error)) for one in findings), summary, None
    return made.results, made.summary, made


def _write_results(
    desk: Desk, inspection: Inspection, marks: Entry, document: Mapping[str, Any], reason: str = ""
) -> Entry:
    body = {
        "sha256": marks.subject,
        "findings_entry": marks.sha256,
        "seed": SEED,
        "versions": dict(desk.versions),
        "document": dict(document),
    }
    if not reason and ("results", marks.subject) in inspection.latest:
        reason = marks.reason or f"measured again from version {marks.version} of the marks"
    (entry,) = desk.write(Draft(inspection.identity, "results", marks.subject, body, reason))
    return entry


def _program(desk: Desk) -> str:
    return f"fringewise {desk.versions.get('fringewise', 'of an unknown version')}"
