"""What the API does: the use cases, called with what the pages send, answered with plain values."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from fringewise.core.documents import decoded, parse
from fringewise.core.errors import InputRefused, NotMeasurable, Problem
from fringewise.findings.documents import finding_fields, parse_findings, refuse_marks_outside
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.quick import quick_value
from fringewise.findings.registry import measure_finding
from fringewise.record.documents import WorkCardDocument
from fringewise.record.inspection import Inspection, Required
from fringewise.verdict.book_reading import parse_limits
from fringewise.workbench import answers, judged
from fringewise.workbench.bench import Bench
from fringewise.workbench.opened import OpenLook
from fringewise.workflow.inspecting import look_with, mark_and_measure
from fringewise.workflow.keeping import Desk, begin_inspection, look_draft, required_look
from fringewise.workflow.measure import summarise

_Json = dict[str, Any]
_CARD: Final = "work card"


def begin(bench: Bench, new: Mapping[str, Any]) -> _Json:
    """Begin an inspection from a work card, with the limits book that applies."""
    toml = new["card_text"] is not None
    text = new["card_text"] if toml else json.dumps(new["card"] or {})
    parse(WorkCardDocument, text.encode(), _CARD, toml=toml)
    card, _ = decoded(text.encode(), _CARD, toml=toml)
    assert card is not None
    desk = bench.made()
    limits = _kept_limits(desk, new["limits_text"]) if new["limits_text"] else None
    made = begin_inspection(desk, new["identity"] or card["order"], card, limits_sha256=limits)
    return answers.inspection(made)


def _kept_limits(desk: Desk, text: str) -> str:
    """Keep a limits book that can be read; gives its hash."""
    content = text.encode()
    parse_limits(content, "limits book", toml=not text.lstrip().startswith("{"))
    return desk.archive.keep_bytes(content)


def say_looks(bench: Bench, identity: str, said: Sequence[Mapping[str, Any]]) -> _Json:
    """Say how looks stand, all or none."""
    desk = bench.desk()
    inspection = desk.inspection(identity)
    drafts = []
    for one in said:
        look = required_look(inspection, one["stage"], one["item"], one["look"])
        drafts.append(
            look_draft(inspection, look, one["state"], reason=one["reason"], expected_version=one["version"])
        )
    desk.write(*drafts)
    return answers.inspection(desk.inspection(identity))


def capture(bench: Bench, sha256: str) -> _Json:
    """Say what a person should know of a capture."""
    look = bench.opened.look(sha256)
    one = look.capture
    height, width = one.photo.shape[:2] if one.photo is not None else (0, 0)
    facts = {
        "sha256": sha256,
        "size": [width, height],
        "captured_at": one.captured_at.isoformat(),
        "head": one.head.serial if one.head is not None else None,
        "probe": one.probe,
        "note": one.note,
    }
    return answers.capture(look.check, facts)


def preview(bench: Bench, sha256: str, finding: Mapping[str, Any], expanded: float | None) -> _Json:
    """Give a finding's main value quickly; a kind that has no quick value is measured in full."""
    look = bench.opened.look(sha256)
    one = _one_finding(look, finding)
    with look.busy:
        try:
            quick = quick_value(look.look(), one)
        except NotMeasurable as reason:
            return answers.result(FindingResult(one, reason=str(reason)), pictures=False)
        if quick is None:
            return answers.result(measure_finding(look.look(), one), pictures=False)
    return answers.quick(one, quick, expanded)


def measure(bench: Bench, sha256: str, finding: Mapping[str, Any], inspection: str | None) -> _Json:
    """Measure a finding in full, and ask the inspection's limits book about it."""
    look = bench.opened.look(sha256)
    one = _one_finding(look, finding)
    desk = bench.desk()
    about = desk.inspection(inspection) if inspection is not None else None
    if about is not None:
        one = placed(one, about, look_with(about, sha256))
    with look.busy:
        result = measure_finding(look.look(), one)
    said = answers.result(result)
    if about is not None:
        taken = look.capture.captured_at.isoformat()
        summary = summarise(look.measurable, [one], sha256, taken)
        said["verdict"] = judged.verdict_now(desk, about, result, summary)
    return said


def placed(finding: Finding, inspection: Inspection, look: Required) -> Finding:
    """Give a finding with stage, item and part of its look where it says none."""
    part = next(one.part for one in inspection.about.card.stage if one.name == look.stage)
    return replace(
        finding,
        stage=finding.stage or look.stage,
        item=finding.item or look.item,
        part=finding.part or part,
    )


def marked(bench: Bench, identity: str, sha256: str) -> _Json:
    """Give what is marked on a capture in an inspection."""
    inspection = bench.desk().inspection(identity)
    entry = inspection.latest.get(("findings", sha256))
    document = entry.body["document"] if entry is not None else {"findings": []}
    return {"version": entry.version if entry is not None else 0, "findings": document["findings"]}


def keep(bench: Bench, identity: str, sha256: str, said: Mapping[str, Any]) -> _Json:
    """Write down what is marked, measure it, write down the results."""
    desk = bench.desk()
    look = bench.opened.look(sha256)
    made = mark_and_measure(
        desk,
        desk.inspection(identity),
        sha256,
        _findings(said["findings"]),
        reason=said["reason"],
        expected_version=said["version"],
        capture=look.capture,
    )
    return {
        "version": made.findings.version,
        "findings": [finding_fields(one.finding) for one in made.outcomes],
        "results": [answers.result(one) for one in made.outcomes],
        "inspection": answers.inspection(desk.inspection(identity)),
    }


def _findings(fields: Sequence[Mapping[str, Any]]) -> tuple[Finding, ...]:
    text = json.dumps({"format": "fringewise.findings/1", "findings": list(fields)})
    return parse_findings(text.encode(), "findings")


def _one_finding(look: OpenLook, fields: Mapping[str, Any]) -> Finding:
    (one,) = _findings([fields])
    refuse_marks_outside([one], look.measurable.shape, "findings")
    if not one.marks:
        raise InputRefused([Problem("findings", "", "must have marks to be measured")])
    return one
