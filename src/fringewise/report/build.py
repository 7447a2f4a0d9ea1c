"""From a record to a report: what is put where, in what words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from fringewise.core.units import LengthUnit
from fringewise.equipment.documents import VerificationDocument
from fringewise.findings.documents import FindingDocument
from fringewise.findings.result_documents import FindingResultDocument, ResultsDocument
from fringewise.record.bodies import DoubtBody, checked_body
from fringewise.record.chain import Entry, record_hash
from fringewise.record.inspection import Inspection
from fringewise.report.parts import (
    Facts,
    Figure,
    FindingSection,
    FirstPage,
    HistoryRow,
    Report,
    ToDo,
    VerificationRow,
)
from fringewise.report.sizes import budget_rows, limit_rows, size_rows, size_words
from fringewise.report.stages import stage_sections, unseen_lines
from fringewise.verdict.documents import FindingVerdictDocument, LimitsDocument
from fringewise.verdict.quantities import CRACKED_KINDS
from fringewise.verdict.words import CAUTION, CRACK_CAUTION, OUTCOME_WORDS

SHINY_CAUTION: Final = (
    "Sizes hold at the stand-off and on the surface they were taken on; "
    "a shiny or sooty blade may read worse."
)
EXTENT_CAUTION: Final = "What was not looked at is not covered by this report."
METHOD: Final = (
    (
        "Phase-shifted fringes are projected on the part. Each pixel's phase gives the fringe column that it "
        "sees; the calibrated head turns pixel and column into a point with a standard uncertainty."
    ),
    (
        "A size is taken against the metal as it was: a smooth surface or edge through the sound metal round "
        "the damage, carried across it."
    ),
    (
        "Each uncertainty adds, in squares, frame noise, the scatter of the marks, the restored metal, the "
        "definition of the size, and the head's calibration. ± is the expanded uncertainty U = k u; k = 2, "
        "or Student's t for few degrees of freedom. What is left out is said at each size."
    ),
    "The results relate only to the items seen, as they stood when they were seen.",
)


@dataclass(frozen=True, slots=True)
class Sources:
    """What a report draws on beside the inspection's own entries.

    Attributes
    ----------
    book : LimitsDocument, optional
        The limits book that was applied.
    verifications : sequence of Entry
        Of the heads that were used.
    names : mapping of str to str
        People's names by their subject.
    finding_figures : mapping of str to figures
        By finding.
    stage_figures : mapping of str to figures
        By stage.
    equipment_figures : figures
    versions : pairs
        Program and libraries.
    """

    book: LimitsDocument | None = None
    verifications: Sequence[Entry] = ()
    names: Mapping[str, str] = field(default_factory=dict)
    finding_figures: Mapping[str, tuple[Figure, ...]] = field(default_factory=dict)
    stage_figures: Mapping[str, tuple[Figure, ...]] = field(default_factory=dict)
    equipment_figures: tuple[Figure, ...] = ()
    versions: Facts = ()


def build_report(
    inspection: Inspection, sources: Sources, issued: datetime, unit: LengthUnit = "mm"
) -> Report:
    """Make the report of an inspection as it stands.

    Parameters
    ----------
    inspection : Inspection
    sources : Sources
    issued : datetime
        When the report is made, with its zone.
    unit : {"mm", "in"}
        For lengths; limits keep the unit of their book, with the reader's beside it.
    """
    findings = tuple(_findings(inspection, sources, unit))
    signed = inspection.signature is not None
    return Report(
        identity=inspection.identity,
        title=f"Inspection {inspection.identity}",
        issued=when_words(issued),
        invented=bool(inspection.about.invented),
        draft=not signed,
        first=_first_page(inspection, sources, findings, unit),
        about=tuple(_about(inspection, sources)),
        stages=tuple(stage_sections(inspection, sources.stage_figures)),
        findings=findings,
        verifications=tuple(_verification(entry) for entry in sources.verifications),
        equipment=sources.equipment_figures,
        method=METHOD,
        versions=sources.versions,
        history=tuple(_history(inspection, sources)),
        record_sha256=record_hash(inspection.entries),
        cautions=(CAUTION, EXTENT_CAUTION, SHINY_CAUTION),
    )


def when_words(moment: datetime) -> str:
    """Write a moment with its zone.

    Examples
    --------
    >>> from datetime import UTC
    >>> when_words(datetime(2026, 3, 14, 9, 26, tzinfo=UTC))
    '2026-03-14 09:26 UTC'
    """
    zone = moment.tzname() or ""
    return f"{moment:%Y-%m-%d %H:%M} {zone}".strip()


def _first_page(
    inspection: Inspection, sources: Sources, findings: Sequence[FindingSection], unit: LengthUnit
) -> FirstPage:
    seen = len(inspection.required) - len(inspection.unseen)
    headline, detail = _headline(inspection, findings, seen)
    card = inspection.about.card
    hours = [f"{card.engine.hours:g} hours"] if card.engine.hours is not None else []
    cycles = [f"{card.engine.cycles:g} cycles"] if card.engine.cycles is not None else []
    engine: Facts = (
        ("engine", f"{card.engine.serial}, {card.engine.type}"),
        ("at", ", ".join([*hours, *cycles]) or "hours and cycles not stated"),
        ("order", card.order),
        ("procedure", card.procedure or "not stated"),
    )
    return FirstPage(
        outcome=inspection.outcome or "no_rule",
        headline=headline,
        detail=detail,
        to_do=tuple(_to_do(inspection, findings, unit)),
        not_seen=tuple(unseen_lines(inspection)),
        engine=engine,
        sign_off=_sign_off(inspection, sources),
        doubts=tuple(_doubts(inspection)),
    )


def _headline(inspection: Inspection, findings: Sequence[FindingSection], seen: int) -> tuple[str, str]:
    looks = f"{seen} of {len(inspection.required)} looks seen"
    undecided = sum(bool(one.provisional) for one in findings)
    provisional = f" {undecided} of the outcomes are provisional." if undecided else ""
    if not findings:
        return "Nothing found on what was seen", f"{looks}."
    if not inspection.decided:
        why = (
            "No limits book was applied"
            if inspection.verdicts is None
            else "Sizes changed since the verdicts"
        )
        return f"{len(findings)} findings, not yet decided", f"{why}; {looks}."
    if inspection.outcome == "serviceable":
        within = (
            "findings within limits on what was seen" if inspection.unseen else "all findings within limits"
        )
        words = within if inspection.outcome_stands else f"provisional: {within}"
        return f"{words[:1].upper()}{words[1:]}", f"{looks}.{provisional}"
    worst = [one for one in findings if one.outcome == inspection.outcome]
    words = OUTCOME_WORDS.get(inspection.outcome, inspection.outcome)  # type: ignore[call-overload]
    count = f"{len(worst)} of {len(findings)} findings" if worst else "by the counts of the limits book"
    return f"{words[:1].upper()}{words[1:]}", f"{count}; {looks}.{provisional}"


def _to_do(inspection: Inspection, findings: Sequence[FindingSection], unit: LengthUnit) -> Iterator[ToDo]:
    order = ("reject", "not_decided", "not_measured", "no_rule", "blend", "inspect_again", "serviceable")
    sizes = _main_sizes(inspection, unit)
    for outcome in order:
        for one in findings:
            if one.outcome == outcome and (outcome != "serviceable" or one.provisional):
                what = (
                    one.would_decide if outcome == "not_decided" and one.would_decide else one.outcome_words
                )
                yield ToDo(
                    outcome, what, f"{one.place}, {one.kind} {one.identity}", sizes.get(one.identity, "")
                )


def _main_sizes(inspection: Inspection, unit: LengthUnit) -> dict[str, str]:
    found = {}
    for body in inspection.current_results.values():
        for one in body.document.findings:
            if one.quantities:
                found[one.id] = (
                    f"{one.quantities[0].name.replace('_', ' ')} {size_words(one.quantities[0], unit)}"
                )
    return found


def _sign_off(inspection: Inspection, sources: Sources) -> str:
    signature = inspection.signature
    if signature is not None:
        entry, body = signature
        how = "as incomplete " if body.incomplete else ""
        who = sources.names.get(entry.author, entry.author)
        return f"Signed {how}by {who}, {when_words(entry.at)} (the signer's own clock)."
    submission = inspection.submission
    if inspection.state == "submitted" and submission is not None:
        entry, sent = submission
        how = " as incomplete" if sent.incomplete else ""
        who = sources.names.get(entry.author, entry.author)
        return f"Submitted{how} by {who}, {when_words(entry.at)}. Not signed."
    return "Draft. Not submitted, not signed."


def _doubts(inspection: Inspection) -> Iterator[str]:
    for entry in inspection.entries:
        if entry.kind == "doubt":
            body = checked_body("doubt", entry.body)
            assert isinstance(body, DoubtBody)
            yield f"{when_words(entry.at)}: {body.words}"


def _about(inspection: Inspection, sources: Sources) -> Iterator[tuple[str, str]]:
    card, about = inspection.about.card, inspection.about
    book = inspection.verdicts.document.limits if inspection.verdicts is not None else None
    yield "work order", card.order
    yield "engine", f"{card.engine.serial}, {card.engine.type}"
    yield "reason for the inspection", card.reason or "not stated"
    yield "procedure", card.procedure or "not stated"
    yield "method", "remote visual inspection through access ports, sizes by fringe projection"
    yield "technician", sources.names.get(about.technician, about.technician)
    yield "begun", when_words(inspection.entries[0].at)
    yield "last change", when_words(inspection.entries[-1].at)
    if book is None:
        yield "limits book", "none was applied"
    else:
        force = (
            "in force" if book.in_force else "not in force: no second person has compared it with the manual"
        )
        yield "limits book", f"{book.title}; {book.source}; {force}"
        yield "limits book, SHA-256", book.sha256
    if inspection.verdicts is not None:
        yield "decision rule", inspection.verdicts.document.decision_rule


def _findings(inspection: Inspection, sources: Sources, unit: LengthUnit) -> Iterator[FindingSection]:
    verdicts: dict[str, FindingVerdictDocument] = {}
    if inspection.verdicts is not None and inspection.decided:
        verdicts = {one.id: one for one in inspection.verdicts.document.findings}
    for capture, body in inspection.findings.items():
        results = inspection.current_results.get(capture)
        measured = {one.id: one for one in results.document.findings} if results else {}
        for one in body.document.findings:
            place = ", ".join(part for part in (body.look, one.zone and f"zone {one.zone}") if part)
            yield _finding(
                one, place, measured.get(one.id), verdicts.get(one.id),
                results.document if results else None, sources, unit, capture,
            )  # fmt: skip


def _finding(
    marked: FindingDocument, place: str, result: FindingResultDocument | None,
    verdict: FindingVerdictDocument | None, results: ResultsDocument | None, sources: Sources,
    unit: LengthUnit, capture: str,
) -> FindingSection:  # fmt: skip
    outcome: str = verdict.outcome if verdict else "no_rule"
    words = OUTCOME_WORDS[verdict.outcome] if verdict else "not yet decided"
    if verdict and verdict.act_as:
        if verdict.between and verdict.outcome == "not_decided":
            words = f"not decided between {' and '.join(OUTCOME_WORDS[one] for one in verdict.between)}"
        words = f"{words}: act on it as {OUTCOME_WORDS[verdict.act_as]}"
    if verdict and verdict.provisional:
        words = f"provisional: {words}"
    said = result.reason if result and result.reason else ""
    return FindingSection(
        identity=marked.id,
        kind=marked.kind.replace("_", " "),
        place=place,
        facts=tuple(_capture_facts(marked, results, capture)),
        outcome=outcome,
        outcome_words=words,
        statement=(verdict.statement or "") if verdict else "",
        would_decide=(verdict.would_decide or "") if verdict else "",
        provisional=tuple(
            (verdict.provisional or ()) if verdict else ("no limits book was applied to this size",)
        ),
        reason=said or ("" if result else "not measured: only marked"),
        sizes=tuple(size_rows(result, unit)) if result else (),
        limits=tuple(limit_rows(verdict, sources.book, unit)),
        budget=tuple(budget_rows(result, unit)) if result else (),
        warnings=tuple((result.warnings or ()) if result else ()),
        cautions=(CRACK_CAUTION, CAUTION) if _is_cracked(marked) else (CAUTION,),
        figures=sources.finding_figures.get(marked.id, ()),
    )


def _is_cracked(marked: FindingDocument) -> bool:
    return marked.kind in CRACKED_KINDS or marked.tear_or_crack == "yes"


def _capture_facts(
    marked: FindingDocument, results: ResultsDocument | None, capture: str
) -> Iterator[tuple[str, str]]:
    yield "capture, SHA-256", capture
    if results is not None:
        summary = results.capture
        if summary.standoff_mm is not None:
            yield "stand-off", f"{summary.standoff_mm:.1f} mm"
        if summary.head:
            yield "head", summary.head
        if summary.valid_fraction is not None:
            yield "surface on", f"{100 * summary.valid_fraction:.0f} % of the photo"
    if marked.damage:
        yield "damage", marked.damage
    if marked.note:
        yield "note", marked.note


def _verification(entry: Entry) -> VerificationRow:
    body = checked_body("verification", entry.body)
    assert isinstance(body, VerificationDocument)
    return VerificationRow(
        body.head, body.probe or "not known", body.block, when_words(datetime.fromisoformat(body.done_at)),
        body.occasion, body.outcome,
    )  # fmt: skip


def _history(inspection: Inspection, sources: Sources) -> Iterator[HistoryRow]:
    for entry in inspection.entries:
        version = f", version {entry.version}" if entry.version > 1 else ""
        reason = f": {entry.reason}" if entry.reason else ""
        what = f"{entry.kind} {_short(entry.subject)}{version}{reason}"
        who = sources.names.get(entry.author, entry.author)
        yield HistoryRow(str(entry.sequence), when_words(entry.at), who, what, entry.sha256)


def _short(subject: str) -> str:
    is_hash = len(subject) == 64 and set(subject) <= set("0123456789abcdef")
    return f"{subject[:12]}…" if is_hash else subject
