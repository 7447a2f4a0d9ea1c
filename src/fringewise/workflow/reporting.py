"""From an inspection on record to its report: numbers from the record, pictures drawn anew from frames."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from fringewise.core.errors import FringewiseError, InputRefused
from fringewise.core.progress import Progress, Silent, steps
from fringewise.core.units import LengthUnit
from fringewise.findings.documents import findings_from_document
from fringewise.findings.finding import FindingResult
from fringewise.findings.result_documents import FindingResultDocument, measured_of
from fringewise.record.bodies import ResultsBody, checked_body
from fringewise.record.chain import Entry, stamp
from fringewise.record.inspection import Inspection
from fringewise.report.build import Sources, build_report
from fringewise.report.damage_map import damage_map
from fringewise.report.parts import Figure, Report
from fringewise.verdict.documents import LimitsDocument
from fringewise.workflow.inspecting import SEED, evidence_of
from fringewise.workflow.judging import limits_book
from fringewise.workflow.keeping import Desk
from fringewise.workflow.measure import measure
from fringewise.workflow.ports import Artist, Drawn

_SILENT: Final = Silent()


@dataclass(frozen=True, slots=True)
class MadeReport:
    """A report with its pictures, what is attached to it, and when it was made.

    Attributes
    ----------
    report : Report
    figures : mapping of str to bytes
        By the keys that the report names.
    attached : mapping
        The whole record as plain values.
    issued : datetime
    names : mapping of str to str
        For exported pictures: engine, stage, item, finding, look and time of each, by its key.
    """

    report: Report
    figures: Mapping[str, bytes]
    attached: Mapping[str, Any]
    issued: datetime
    names: Mapping[str, str]


def make_report(
    desk: Desk, identity: str, artist: Artist, *, unit: LengthUnit = "mm", progress: Progress = _SILENT
) -> MadeReport:
    """Make the report of an inspection as it stands.

    Sizes, uncertainties and outcomes are those on record. Pictures are drawn from the kept frames and marks;
    a finding whose capture can't be read any more has none.

    Parameters
    ----------
    desk : Desk
    identity : str
        The inspection.
    artist : Artist
    unit : {"mm", "in"}
    progress : Progress

    Raises
    ------
    InputRefused
        There is no such inspection.
    """
    inspection, issued = desk.inspection(identity), desk.clock()
    book = _book(desk, inspection)
    drawn = dict(_finding_pictures(desk, inspection, artist, unit, progress))
    maps = {
        stage.name: artist.damage_map(damage_map(inspection, stage.name, book))
        for stage in inspection.about.card.stage
        if any(one.stage == stage.name for one in inspection.all_findings)
    }
    sources = Sources(
        book=book,
        verifications=_verifications(desk, inspection),
        names=_names(desk, inspection),
        finding_figures={name: tuple(map(_figure, some)) for name, some in drawn.items()},
        stage_figures={name: (_figure(one),) for name, one in maps.items()},
        versions=tuple((name, value) for name, value in desk.versions.items()),
    )
    every = [*(one for some in drawn.values() for one in some), *maps.values()]
    return MadeReport(
        report=build_report(inspection, sources, issued, unit),
        figures={one.key: one.content for one in every},
        attached=_attached(inspection),
        issued=issued,
        names={key: _file_name(inspection, name, key) for name, some in drawn.items() for key in _keys(some)},
    )


def _finding_pictures(
    desk: Desk, inspection: Inspection, artist: Artist, unit: LengthUnit, progress: Progress
) -> Iterator[tuple[str, list[Drawn]]]:
    kinds = {one.sha256: one.kind for _, one in evidence_of(inspection)}
    captures = inspection.findings
    for sha256, body in steps(captures.items(), "pictures", progress, len(captures)):
        results = inspection.current_results.get(sha256)
        for name, some in _of_capture(
            desk, sha256, kinds.get(sha256, ""), results, artist, unit, body.document
        ):
            yield name, [replace(one, key=f"{name}-{one.key}") for one in some]


def _of_capture(
    desk: Desk, sha256: str, kind: str, results: ResultsBody | None, artist: Artist, unit: LengthUnit,
    document: Any,
) -> Iterator[tuple[str, list[Drawn]]]:  # fmt: skip
    """Draw the findings of one capture or photo; nothing where it can't be read or measured."""
    findings = findings_from_document(document)
    stated = {one.id: one for one in results.document.findings} if results is not None else {}
    try:
        if kind == "photo":
            with desk.archive.open(sha256) as stream:
                content = stream.read()
            for one in findings:
                yield one.identity, list(artist.photo(content, FindingResult(one, reason="evidence")))
        if kind != "capture":
            return
        made = measure(desk.read(sha256), findings, seed=SEED, draws=0)
    except FringewiseError:
        return
    for result in made.results:
        said = stated.get(result.finding.identity)
        yield result.finding.identity, list(artist.finding(made.surface, _as_recorded(result, said), unit))


def _as_recorded(result: FindingResult, said: FindingResultDocument | None) -> FindingResult:
    """Give the picture the numbers that are on record, not those of the program that draws it."""
    if said is None or not said.quantities or result.reason:
        return result
    return replace(result, quantities=tuple(measured_of(one) for one in said.quantities))


def _book(desk: Desk, inspection: Inspection) -> LimitsDocument | None:
    if inspection.about.limits_sha256 is None:
        return None
    try:
        return limits_book(desk, inspection).document
    except InputRefused:
        return None


def _verifications(desk: Desk, inspection: Inspection) -> list[Entry]:
    """Verifications of the heads that took the captures, in order."""
    heads: set[str] = set()
    for _, one in evidence_of(inspection):
        for entry in desk.archive.about("intake", one.sha256):
            heads.add(str(checked_body("intake", entry.body).model_dump().get("head") or ""))
    return [one for one in desk.archive.about("verification") if one.body.get("head") in heads - {""}]


def _names(desk: Desk, inspection: Inspection) -> dict[str, str]:
    people = {entry.author for entry in inspection.entries} | {inspection.about.technician}
    return {one: found.name for one in people if (found := desk.archive.person(one)) is not None}


def _figure(one: Drawn) -> Figure:
    return Figure(one.key, one.alt, "", one.share)


def _keys(drawn: list[Drawn]) -> list[str]:
    return [one.key for one in drawn]


def _attached(inspection: Inspection) -> dict[str, Any]:
    """Give the whole record as plain values, as it is hashed."""
    entries = [
        {
            "sequence": entry.sequence,
            "inspection": entry.inspection,
            "kind": entry.kind,
            "subject": entry.subject,
            "version": entry.version,
            "author": entry.author,
            "at": stamp(entry.at),
            "reason": entry.reason,
            "body": dict(entry.body),
            "previous": entry.previous,
            "sha256": entry.sha256,
        }
        for entry in inspection.entries
    ]
    return {"format": "fringewise.record/1", "inspection": inspection.identity, "entries": entries}


def _file_name(inspection: Inspection, finding: str, key: str) -> str:
    """Name an exported picture: engine, stage, item, finding, look, time, and which picture of it."""
    one = next(found for found in inspection.all_findings if found.identity == finding)
    at = inspection.latest["findings", one.capture].at
    look = one.look.rsplit(" / ", 1)[-1]
    said = [inspection.about.card.engine.serial, one.stage, one.item, finding, look, f"{at:%Y%m%dT%H%M%SZ}"]
    suffix = key.removeprefix(f"{finding}-")
    return "_".join(re.sub(r"[^\w.-]+", "-", part) for part in said) + f"_{suffix}"
