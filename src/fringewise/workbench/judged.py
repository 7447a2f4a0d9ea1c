"""What the limits book says, the report, submission and signature, for the pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from fringewise.core.documents.reading import checked
from fringewise.core.errors import FringewiseError, InputRefused, Problem
from fringewise.findings.finding import FindingResult
from fringewise.findings.result_documents import CaptureSummary, ResultsDocument, results_document
from fringewise.record.inspection import Inspection
from fringewise.verdict.book_words import book_lines
from fringewise.verdict.standing import HeadDates
from fringewise.workbench import answers
from fringewise.workbench.bench import Bench
from fringewise.workflow import judging
from fringewise.workflow.decide import Inspected, Verdicts, decide
from fringewise.workflow.keeping import Desk
from fringewise.workflow.signing import review_of, sign, submit

_Json = dict[str, Any]


def verdict_now(
    desk: Desk, inspection: Inspection, one: FindingResult, summary: CaptureSummary
) -> _Json | None:
    """Say what the inspection's limits book says of one finding by itself; None where it has no book."""
    if inspection.about.limits_sha256 is None:
        return None
    book = judging.limits_book(desk, inspection)
    stated = results_document([one], summary, f"fringewise {desk.versions.get('fringewise', '')}")
    document, problems = checked(ResultsDocument, stated, "results")
    if document is None:
        raise InputRefused(problems)
    heads = tuple(HeadDates.of(head, sha256) for sha256, head in judging.heads_of(desk, inspection).items())
    inspected = Inspected(
        ((summary.sha256, document),),
        inspection.about.card,
        heads=heads,
        verifications=judging.verifications_of(desk),
    )
    return _verdict(decide(inspected, book), one.finding.identity)


def _verdict(verdicts: Verdicts, identity: str) -> _Json | None:
    for said in verdicts.document["findings"]:
        if said["id"] == identity:
            return {
                "outcome": said["outcome"],
                "statement": said.get("statement") or "",
                "would_decide": verdicts.would_decide.get(identity) or said.get("would_decide"),
                "provisional": list(said.get("provisional") or ()),
                "grounds": [_ground(one) for one in said.get("by") or () if one.get("limit") is not None],
            }
    return None


def _ground(by: Mapping[str, Any]) -> str:
    """Say against which limit a size was held."""
    unit = by.get("unit") or ""
    words = f"limit {by['limit']:g} {unit}, rule {by['rule']}"
    acceptance = by.get("acceptance_limit")
    return words if acceptance is None else f"{words}; acceptance limit {acceptance:.4g} {unit}"


def standing(bench: Bench, identity: str) -> _Json:
    """Say how an inspection stands: its limits, what they say, what is left, what speaks against signing."""
    desk = bench.desk()
    inspection = desk.inspection(identity)
    review = review_of(desk, inspection)
    signature = inspection.signature
    return {
        "inspection": answers.inspection(inspection),
        "limits": _limits(desk, inspection),
        "verdicts": _verdicts(inspection),
        "record_sha256": review.record_sha256,
        "unseen": list(review.unseen),
        "said": list(review.said),
        "signed_by": signature[0].author if signature else None,
        "signed_at": signature[0].at.isoformat() if signature else None,
        "roles": sorted(_roles(desk)),
    }


def judge(bench: Bench, identity: str) -> _Json:
    """Ask the limits book about all findings and write down what it says."""
    desk = bench.desk()
    judging.decide_inspection(desk, desk.inspection(identity))
    return standing(bench, identity)


def hand_in(bench: Bench, identity: str, said: _Json) -> _Json:
    """Submit an inspection as it was looked at."""
    desk = bench.desk()
    _refuse_changed(desk, identity, said["record_sha256"])
    submit(desk, identity, incomplete=said["incomplete"], statement=said["statement"])
    return standing(bench, identity)


def put_signature(bench: Bench, identity: str, said: _Json) -> _Json:
    """Sign a submitted inspection with the key of who works here."""
    from fringewise.files.keys import read_key  # noqa: PLC0415 - only for this
    from fringewise.wiring import key_file  # noqa: PLC0415 - likewise

    desk = bench.desk()
    _refuse_changed(desk, identity, said["record_sha256"])
    signer = read_key(key_file(desk.author), said["passphrase"])
    sign(desk, desk.inspection(identity), signer, incomplete=said["incomplete"], statement=said["statement"])
    return standing(bench, identity)


def report(bench: Bench, identity: str, unit: str) -> bytes:
    """Set the report of an inspection as it stands, as PDF."""
    from fringewise.render.artist import ReportArtist  # noqa: PLC0415 - only for this
    from fringewise.render.report_pdf import report_pdf  # noqa: PLC0415 - likewise
    from fringewise.workflow.reporting import make_report  # noqa: PLC0415 - likewise

    made = make_report(bench.desk(), identity, ReportArtist(), unit="in" if unit == "in" else "mm")
    return report_pdf(made.report, made.figures, made.attached, made.issued)


def _refuse_changed(desk: Desk, identity: str, seen: str) -> None:
    if desk.inspection(identity).sealed_sha256 != seen:
        rule = "must be looked at again: the record has changed since this page was opened"
        raise InputRefused([Problem(identity, "", rule)])


def _limits(desk: Desk, inspection: Inspection) -> _Json | None:
    if inspection.about.limits_sha256 is None:
        return None
    try:
        book = judging.limits_book(desk, inspection)
    except FringewiseError as error:
        return {"title": "The limits book can't be read", "in_force": False, "lines": str(error).splitlines()}
    return {"title": book.document.title, "in_force": book.in_force, "lines": list(book_lines(book))}


def _verdicts(inspection: Inspection) -> _Json | None:
    said = inspection.verdicts
    if said is None:
        return None
    document = said.document
    return {
        "outcome": document.outcome,
        "statement": document.statement or "",
        "caution": document.caution or "",
        "decision_rule": document.decision_rule,
        "findings": [
            {
                "id": one.id,
                "outcome": one.outcome,
                "statement": one.statement or "",
                "provisional": list(one.provisional or ()),
            }
            for one in document.findings
        ],
        "counts": [
            {"state": one.state, "statement": one.statement or ""}
            for one in document.counts or ()
            if one.state != "kept"
        ],
    }


def _roles(desk: Desk) -> Sequence[str]:
    person = desk.archive.person(desk.author)
    return sorted(person.roles) if person is not None else ()
