"""A work card and entries for tests of records and archives; all of it invented."""

from __future__ import annotations

from typing import Any

CARD: dict[str, Any] = {
    "format": "fringewise.workcard/1",
    "order": "W-2041",
    "engine": {"serial": "D-0007", "type": "invented small gas turbine", "hours": 8120, "cycles": 2210},
    "reason": "scheduled",
    "stage": [
        {
            "name": "compressor 3",
            "part": "compressor 3 blade",
            "items": 4,
            "item": "blade",
            "viewed": "aft looking forward",
            "looks": [{"name": "pressure side", "port": "P4"}, {"name": "leading edge", "port": "P4"}],
        }
    ],
}


def findings_body(sha256: str, *names: str) -> dict[str, Any]:
    """What was marked on a capture: a dent of each name."""
    marks = [[410.0, 300.0], [440.0, 301.0], [425.0, 330.0]]
    document = {
        "format": "fringewise.findings/1",
        "findings": [{"id": name, "kind": "dent", "outline_px": marks} for name in names],
    }
    return {"sha256": sha256, "look": "compressor 3 / 2 / pressure side", "document": document}


def results_body(sha256: str, *names: str, depth: float = 0.312) -> dict[str, Any]:
    """What was measured on a capture: a depth for each name."""
    quantity = {
        "name": "depth",
        "unit": "mm",
        "value": depth,
        "standard_uncertainty": 0.004,
        "coverage_factor": 2.0,
        "expanded_uncertainty": 0.008,
        "interval_95": [depth - 0.00784, depth + 0.00784],
        "budget": [{"source": "frame noise", "standard_uncertainty": 0.004}],
        "not_included": ["calibration: the head gives no covariance"],
        "bound": "both",
    }
    document = {
        "format": "fringewise.results/1",
        "program": "fringewise 0.1.0",
        "capture": {"sha256": sha256, "head": "HX-07", "valid_fraction": 0.71, "standoff_mm": 17.9},
        "findings": [
            {"id": n, "kind": "dent", "status": "measured", "quantities": [quantity]} for n in names
        ],
    }
    return {"sha256": sha256, "findings_entry": "0" * 64, "seed": 0, "versions": {}, "document": document}


def verdicts_body(outcomes: dict[str, str], worst: str) -> dict[str, Any]:
    """What a limits book says of findings, each by its outcome."""
    findings: list[dict[str, Any]] = []
    for name, outcome in outcomes.items():
        ground = {
            "rule": "C3-DENT", "quantity": "depth", "unit": "in", "value": 0.01228,
            "standard_uncertainty": 0.00016, "boundary": "serviceable_up_to", "limit": 0.013,
            "acceptance_limit": 0.01274, "conformance_probability": 0.99999,
        }  # fmt: skip
        open_case = {"between": ["serviceable", "inspect_again"], "act_as": "inspect_again"}
        open_case |= {"would_decide": "Move to 14 mm or nearer: then 0.33 mm can be decided."}
        findings.append(
            {"id": name, "outcome": outcome, "by": [ground], "statement": f"By C3-DENT: {outcome}."}
            | (open_case if outcome == "not_decided" else {})
        )
    document = {
        "format": "fringewise.verdicts/1",
        "limits": {"title": "Invented limits", "source": "Demo manual", "sha256": "a" * 64, "in_force": True},
        "decision_rule": "ISO 14253-1:2017, conformance probability 0.95",
        "findings": findings,
        "outcome": worst,
    }
    return {"results_entries": [], "document": document}
