"""Computing every stored number again from the frames, with the present program, and comparing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from fringewise.capture.capture import Capture
from fringewise.core.errors import FringewiseError, NotMeasurable
from fringewise.core.progress import Progress, Silent, steps
from fringewise.findings.documents import FindingsDocument, finding_fields, findings_from_document
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import Look
from fringewise.findings.registry import measure_finding
from fringewise.findings.result_documents import FindingResultDocument, ResultsDocument, quantity_fields
from fringewise.record.bodies import ReadingBody, ResultsBody, checked_body
from fringewise.record.chain import Draft, Entry, canonical
from fringewise.sound.points import pixel_rays
from fringewise.workflow.judging import verdicts_again
from fringewise.workflow.keeping import Desk
from fringewise.workflow.measure import summarise
from fringewise.workflow.surfaces import make_surface

VALUE_TOLERANCE: Final = 0.01
"""A value agrees when it lies within this share of its standard uncertainty (and of 10⁻⁹ of itself)."""

UNCERTAINTY_TOLERANCE: Final = 0.01
"""A standard or expanded uncertainty agrees within this share of itself."""

SUMMARY_TOLERANCE: Final = 1e-6
"""Stand-off and share of the photo agree within this share of themselves."""

_TINY: Final = 1e-9
_SILENT: Final = Silent()


@dataclass(frozen=True, slots=True)
class Stored:
    """Numbers on record: which entry holds them, the marks that they were measured by, the draws' seed.

    All of it plain, so that it can go to another process.
    """

    entry: str
    findings: Mapping[str, Any]
    results: Mapping[str, Any]
    seed: int


@dataclass(frozen=True, slots=True)
class Job:
    """All numbers of an inspection that rest on one capture."""

    inspection: str
    capture: str
    stored: tuple[Stored, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a job: how many numbers were compared, what differs, and why it could not be done."""

    inspection: str
    capture: str
    compared: int
    differ: tuple[str, ...]
    failed: str = ""


@dataclass(frozen=True, slots=True)
class Rechecked:
    """What a recheck of one inspection found.

    Attributes
    ----------
    inspection : str
    compared : int
        Numbers.
    differ : tuple of str
        One line each; also what could not be computed again.
    versions_then : tuple of mapping
        Every set of versions that the stored numbers were made with.
    entry : Entry
        Where this is written down.
    """

    inspection: str
    compared: int
    differ: tuple[str, ...]
    versions_then: tuple[Mapping[str, str], ...]
    entry: Entry


Run = Callable[[Sequence[Job]], Iterable[Outcome]]
"""Does jobs, in this process or in others, in any order."""


def recheck(desk: Desk, names: Sequence[str], run: Run, progress: Progress = _SILENT) -> list[Rechecked]:
    """Compute every stored number of inspections again and compare; write down what came of it.

    Parameters
    ----------
    desk : Desk
    names : sequence of str
        Inspections.
    run : callable
        Does the jobs; `recheck_capture` does one.
    progress : Progress
    """
    jobs = [job for name in names for job in jobs_of(name, desk.archive.entries(name))]
    done: dict[str, list[Outcome]] = {name: [] for name in names}
    for outcome in steps(run(jobs), "captures computed again", progress, len(jobs)):
        done[outcome.inspection].append(outcome)
    return [_written(desk, name, outcomes) for name, outcomes in done.items()]


def jobs_of(name: str, entries: Sequence[Entry]) -> list[Job]:
    """Gather the stored numbers of an inspection by capture: all results ever, all second readings."""
    marks = {entry.sha256: entry for entry in entries if entry.kind == "findings"}
    stored: dict[str, list[Stored]] = {}
    for entry in entries:
        if entry.kind == "results":
            body = checked_body("results", entry.body)
            assert isinstance(body, ResultsBody)
            said = marks[body.findings_entry].body["document"]
            one = Stored(f"entry {entry.sequence}", said, entry.body["document"], body.seed)
            stored.setdefault(body.sha256, []).append(one)
        elif entry.kind == "second reading":
            read = checked_body("second reading", entry.body)
            assert isinstance(read, ReadingBody)
            one = Stored(f"entry {entry.sequence}", entry.body["findings"], entry.body["document"], read.seed)
            stored.setdefault(read.sha256, []).append(one)
    return [Job(name, capture, tuple(some)) for capture, some in stored.items()]


def recheck_capture(read: Callable[[str], Capture], job: Job) -> Outcome:
    """Do one job: read the capture, make its surface once, measure each distinct finding once, compare."""
    try:
        capture = read(job.capture)
    except FringewiseError as error:
        if _nothing_measured(job):
            return Outcome(job.inspection, job.capture, 0, ())
        return Outcome(job.inspection, job.capture, 0, (), str(error))
    again = _Again(capture)
    compared, differ = 0, []
    for stored in job.stored:
        count, lines = _compare(again, stored)
        compared += count
        differ += [f"{stored.entry}: {line}" for line in lines]
    return Outcome(job.inspection, job.capture, compared, tuple(differ))


class _Again:
    """Measures on one capture, each distinct finding once."""

    def __init__(self, capture: Capture) -> None:
        self.capture = capture
        self._known: dict[str, FindingResult] = {}
        self.reason = ""
        try:
            self.surface = make_surface(capture)
            self._rays = pixel_rays(self.surface)
        except NotMeasurable as error:
            self.reason = str(error)

    def measured(self, seed: int, number: int, finding: Finding) -> FindingResult:
        """Measure a finding as `fringewise.workflow.measure.measure` does."""
        if self.reason:
            return FindingResult(finding, reason=self.reason)
        key = canonical([seed, number, finding.placing_px, finding_fields(finding)])
        if key not in self._known:
            rng = np.random.default_rng([seed, number])
            self._known[key] = measure_finding(Look(self.surface, self._rays, rng), finding)
        return self._known[key]


def _compare(again: _Again, stored: Stored) -> tuple[int, list[str]]:
    findings = findings_from_document(FindingsDocument.model_validate(stored.findings))
    results = {one.id: one for one in ResultsDocument.model_validate(stored.results).findings}
    compared, differ = 0, list(_summary(again, findings, stored))
    for number, finding in enumerate(findings):
        before, now = results.get(finding.identity), again.measured(stored.seed, number, finding)
        if before is None:
            differ.append(f"{finding.identity}: has no result on record")
            continue
        count, lines = compared_results(before, now)
        compared += count
        differ += [f"{finding.identity}: {line}" for line in lines]
    return compared, differ


def compared_results(before: FindingResultDocument, now: FindingResult) -> tuple[int, list[str]]:
    """Compare a stored result with a new one; gives how many numbers were compared, and what differs."""
    if before.status != now.status:
        return 1, [f"was {before.status.replace('_', ' ')}, is {now.status.replace('_', ' ')} now"]
    new = {one.name: quantity_fields(one) for one in now.quantities}
    differ = []
    compared = 0
    for one in before.quantities or ():
        beside = new.pop(one.name, None)
        if beside is None:
            differ.append(f"{one.name} can't be had any more")
            continue
        spread = VALUE_TOLERANCE * one.standard_uncertainty
        checks = (
            ("value", one.value, beside["value"], spread),
            ("lower end", one.interval_95[0], beside["interval_95"][0], 3 * spread),
            ("upper end", one.interval_95[1], beside["interval_95"][1], 3 * spread),
            ("u", one.standard_uncertainty, beside["standard_uncertainty"], spread),
            ("U", one.expanded_uncertainty, beside["expanded_uncertainty"], 2 * spread),
        )
        for name, old, fresh, allowed in checks:
            compared += 1
            if not abs(fresh - old) <= max(allowed, _TINY * abs(old)):
                differ.append(f"{one.name}, {name}: {old:.7g} on record, {fresh:.7g} {one.unit} now")
    differ += [f"{name} was not had then and is now" for name in new]
    return compared, differ


def _summary(again: _Again, findings: Sequence[Finding], stored: Stored) -> Iterator[str]:
    if again.reason:
        return
    before = ResultsDocument.model_validate(stored.results).capture
    now = summarise(again.surface, findings)
    pairs = (
        ("share of the photo", before.valid_fraction, now.valid_fraction),
        ("stand-off", before.standoff_mm, now.standoff_mm),
    )
    for name, old, fresh in pairs:
        if old is None or fresh is None:
            if (old is None) != (fresh is None):
                yield f"{name}: {old} on record, {fresh} now"
        elif not abs(fresh - old) <= SUMMARY_TOLERANCE * abs(old):
            yield f"{name}: {old:.7g} on record, {fresh:.7g} now"


def _nothing_measured(job: Job) -> bool:
    documents = (ResultsDocument.model_validate(one.results) for one in job.stored)
    return all(one.status == "not_measured" for document in documents for one in document.findings)


def _written(desk: Desk, name: str, outcomes: Sequence[Outcome]) -> Rechecked:
    """Write down what a recheck of one inspection found."""
    inspection = desk.inspection(name)
    decided, otherwise = verdicts_again(desk, inspection.entries)
    failed = [f"capture {one.capture[:12]}: {one.failed}" for one in outcomes if one.failed]
    differ = [line for one in outcomes for line in one.differ] + otherwise + failed
    compared = sum(one.compared for one in outcomes) + decided
    said = "could not be done" if failed else "some differ" if differ else "all agree"
    number = sum(entry.kind == "recheck" for entry in inspection.entries) + 1
    body = {
        "versions": dict(desk.versions),
        "compared": compared,
        "differ": [line[:10_000] for line in differ[:100_000]],
        "outcome": said,
    }
    (entry,) = desk.write(Draft(name, "recheck", f"recheck {number}", body))
    return Rechecked(name, compared, tuple(differ), versions_then(inspection.entries), entry)


def versions_then(entries: Iterable[Entry]) -> tuple[Mapping[str, str], ...]:
    """Give every set of versions that the stored numbers of an inspection were made with."""
    found: dict[str, Mapping[str, str]] = {}
    for entry in entries:
        if entry.kind in {"results", "second reading"}:
            found[canonical(entry.body["versions"])] = entry.body["versions"]
    return tuple(found.values())


def changed_versions(then: Iterable[Mapping[str, str]], now: Mapping[str, str]) -> list[str]:
    """Say which versions are others now.

    Examples
    --------
    >>> changed_versions([{"numpy": "2.1"}], {"numpy": "2.4", "scipy": "1.17"})
    ['numpy: 2.1 then, 2.4 now', 'scipy: not stated then, 1.17 now']
    """
    lines = [
        f"{name}: {one.get(name, 'not stated')} then, {version} now"
        for one in then
        for name, version in now.items()
        if one.get(name) != version
    ]
    return list(dict.fromkeys(lines))
