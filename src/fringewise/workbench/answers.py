"""What the service answers: findings, values and inspections as plain values for the pages.

Every value comes with its words in millimetres and in inches, rounded as everywhere else: the pages write
none themselves.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.measured import Measured
from fringewise.core.units import LengthUnit, value_and_doubt, value_like
from fringewise.findings.documents import ANSWERS, MARKS
from fringewise.findings.finding import Drawing, Finding, FindingResult, Section
from fringewise.findings.kind import quantity_words
from fringewise.findings.quick import QuickValue
from fringewise.findings.registry import KINDS
from fringewise.findings.result_documents import QuantityDocument
from fringewise.record.inspection import Inspection
from fringewise.render.words import number_words
from fringewise.workflow.surfaces import CaptureCheck

DEVIATION_STEP_MM: Final = 1e-4
_NO_DEVIATION: Final = -32768
_MOST_STEPS: Final = 32767
_ROUGH_MM: Final = 0.005
LENGTH_UNITS: Final[tuple[LengthUnit, ...]] = ("mm", "in")


def kinds() -> list[dict[str, Any]]:
    """Every kind of finding: its marks with how many are needed, its quantities, whether it is measured."""
    return [
        {
            "name": name,
            "measured": name in KINDS,
            "marks": [
                {"name": r.name, "least": r.least, "most": r.most, "optional": r.optional, "words": r.words}
                for r in rules
            ],
            "quantities": [
                {"name": q.name, "unit": q.unit, "spoken": quantity_words(q.name), "words": q.words}
                for q in (KINDS[name].quantities if name in KINDS else ())
            ],
            "answers": list(ANSWERS),
        }
        for name, rules in MARKS.items()
    ]


def value(measured: Measured) -> dict[str, Any]:
    """One measured quantity, with its words."""
    return {
        **value_words(
            measured.name, measured.value, measured.expanded_uncertainty, measured.unit, measured.bound
        ),
        "standard_uncertainty": measured.standard_uncertainty,
        "coverage_factor": measured.coverage_factor,
        "interval_95": list(measured.interval_95),
        "budget": [
            {"source": line.source, "standard_uncertainty": line.standard_uncertainty}
            for line in measured.budget
        ],
        "not_included": list(measured.not_included),
    }


def value_words(name: str, number: float, expanded: float, unit: str, bound: str = "both") -> dict[str, Any]:
    """Give a value with its doubt, and both in words."""
    lead = "" if bound == "both" else f"{bound.replace('_', ' ')} "
    return {
        "name": name,
        "spoken": quantity_words(name),
        "unit": unit,
        "value": number,
        "expanded_uncertainty": expanded,
        "bound": bound,
        "mm": lead + number_words(value_and_doubt(number, expanded, unit, "mm")),
        "in": lead + number_words(value_and_doubt(number, expanded, unit, "in")),
    }


def result(one: FindingResult, *, pictures: bool = True) -> dict[str, Any]:
    """What came of measuring a finding; with or without what its pictures need."""
    return {
        "id": one.finding.identity,
        "kind": one.finding.kind,
        "status": one.status,
        "quantities": [value(quantity) for quantity in one.quantities],
        "reason": one.reason,
        "warnings": list(one.warnings),
        "marks_at_fault": one.marks_at_fault,
        "drawing": drawing(one.drawing) if pictures else None,
    }


def quick(finding: Finding, first: QuickValue, expanded: float | None) -> dict[str, Any]:
    """Give a first value while a mark moves, with the doubt that it had when the mark last lay still."""
    said = value_words(first.name, first.value, expanded or 0.0, first.unit)
    if not expanded:
        for unit in LENGTH_UNITS:
            said[unit] = number_words(value_like(first.value, _ROUGH_MM, first.unit, unit))
    return {
        "id": finding.identity,
        "kind": finding.kind,
        "status": "measured",
        "quantities": [
            {**said, "standard_uncertainty": 0.0, "coverage_factor": 2.0, "interval_95": [0.0, 0.0]}
            | {"budget": [], "not_included": []}
        ],
        "reason": "",
        "warnings": [],
        "marks_at_fault": False,
        "drawing": None,
        "quick": True,
    }


def drawing(made: Drawing) -> dict[str, Any]:
    """Lines on the photo, the deviation map and the section of a finding."""
    return {
        "drawn": [
            {
                "placed": list(m.placed_px),
                "used": list(m.used_px),
                "feature": m.feature,
                "sigma_px": m.sigma_px,
            }
            for m in made.drawn
        ],
        "lines": [_points(line) for line in made.lines_px],
        "deepest": list(made.deepest_px) if made.deepest_px is not None else None,
        "section": _section(made.section) if made.section is not None else None,
        "deviation": _deviation(made) if made.deviation_mm is not None else None,
    }


def capture(check: CaptureCheck | None, facts: Mapping[str, Any]) -> dict[str, Any]:
    """What a person should know of a capture."""
    if check is None:
        return {**facts, "measurable": False}
    return {
        **facts,
        "measurable": True,
        "valid_fraction": check.valid_fraction,
        "standoff_mm": _number(check.standoff_mm),
        "range_mm": [_number(end) for end in check.range_mm],
        "point_sigma_mm": _number(check.point_sigma_mm),
        "flags": [{"words": f.words, "bars_use": f.bars_use, "share": f.share} for f in check.flags],
        "motion": check.motion,
        "faults": list(check.faults),
        "not_known": list(check.not_known),
    }


def inspection(one: Inspection) -> dict[str, Any]:
    """An inspection: its card, how each look stands, what was found."""
    card = one.about.card
    return {
        "identity": one.identity,
        "order": card.order,
        "engine": card.engine.model_dump(exclude_none=True),
        "reason": card.reason,
        "procedure": card.procedure,
        "technician": one.about.technician,
        "invented": bool(one.about.invented),
        "state": one.state,
        "outcome": one.outcome,
        "complete": one.complete,
        "looks": len(one.required),
        "left": len(one.left),
        "stages": [
            {
                "name": stage.name,
                "part": stage.part,
                "items": stage.items,
                "item": stage.item,
                "numbered": stage.numbered,
                "viewed": stage.viewed,
                "looks": [{"name": look.name, "port": look.port} for look in stage.looks or ()],
            }
            for stage in card.stage
        ],
        "said": list(_said(one)),
        "findings": list(_found(one)),
        "marks_versions": {
            subject: entry.version for (kind, subject), entry in one.latest.items() if kind == "findings"
        },
    }


def _said(one: Inspection) -> Iterator[dict[str, Any]]:
    """How each look stands that somebody has said something about."""
    for subject, look in one.looks.items():
        entry = one.latest["look", subject]
        yield {
            "stage": look.stage,
            "item": look.item,
            "look": look.look,
            "state": look.state,
            "reason": look.reason or "",
            "version": entry.version,
            "by": entry.author,
            "at": entry.at.isoformat(),
            "evidence": [{"kind": e.kind, "sha256": e.sha256, "name": e.name} for e in look.evidence or ()],
        }


def _found(one: Inspection) -> Iterator[dict[str, Any]]:
    for found in one.all_findings:
        results = one.results.get(found.capture)
        said = (
            next((r for r in results.document.findings if r.id == found.identity), None) if results else None
        )
        yield {
            "capture": found.capture,
            "id": found.identity,
            "kind": found.kind,
            "look": found.look,
            "stage": found.stage,
            "item": found.item,
            "zone": found.zone,
            "status": found.status,
            "outcome": found.outcome,
            "reason": (said.reason or "") if said else "",
            "values": [_document_value(q) for q in (said.quantities or ())] if said else [],
        }


def _document_value(one: QuantityDocument) -> dict[str, Any]:
    return value_words(one.name, one.value, one.expanded_uncertainty, one.unit, one.bound)


def _points(points: Array | Sequence[Sequence[float]]) -> list[list[float]]:
    return [[round(float(u), 3), round(float(v), 3)] for u, v in points]


def _section(cut: Section) -> dict[str, Any]:
    return {
        "along_mm": _numbers(cut.along_mm),
        "measured_mm": _numbers(cut.measured_mm),
        "expanded_mm": _numbers(cut.expanded_mm),
        "points": [[_number(a), _number(h)] for a, h in zip(cut.points_along_mm, cut.points_mm, strict=True)],
        "from": list(cut.from_px),
        "to": list(cut.to_px),
    }


def _deviation(made: Drawing) -> dict[str, Any]:
    assert made.deviation_mm is not None
    with np.errstate(invalid="ignore"):
        steps = np.clip(np.round(made.deviation_mm / DEVIATION_STEP_MM), -_MOST_STEPS, _MOST_STEPS)
    whole = np.where(np.isfinite(made.deviation_mm), steps, _NO_DEVIATION).astype("<i2")
    finite = made.deviation_mm[np.isfinite(made.deviation_mm)]
    return {
        "corner": list(made.deviation_corner_px),
        "size": [whole.shape[1], whole.shape[0]],
        "step_mm": DEVIATION_STEP_MM,
        "expanded_mm": made.deviation_expanded_mm,
        "ends_mm": [float(finite.min()), float(finite.max())] if finite.size else [0.0, 0.0],
        "steps": base64.b64encode(whole.tobytes()).decode(),
    }


def _numbers(values: Array) -> list[float | None]:
    return [_number(one) for one in values]


def _number(one: float) -> float | None:
    number = float(one)
    return round(number, 6) if math.isfinite(number) else None
