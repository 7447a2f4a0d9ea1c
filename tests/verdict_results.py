"""Results for tests of the decide command, with what else it takes."""

from __future__ import annotations

from typing import Any, Final

HEAD: Final[dict[str, Any]] = {"head": "HX-07", "captured_at": "2026-03-14T09:26:53Z", "standoff_mm": 17.9}
PLACE: Final[dict[str, str]] = {
    "part": "compressor 3 blade",
    "stage": "compressor 3",
    "zone": "leading edge, outer two thirds",
    "item": "7",
    "tear_or_crack": "no",
}


def quantity(name: str, value: float, u: float, unit: str = "mm", **changes: Any) -> dict[str, Any]:
    """Give one measured quantity, its doubt from frame noise."""
    stated = {
        "name": name,
        "unit": unit,
        "value": value,
        "standard_uncertainty": u,
        "coverage_factor": 2.0,
        "expanded_uncertainty": 2 * u,
        "interval_95": [value - 1.96 * u, value + 1.96 * u],
        "budget": [{"source": "frame noise", "standard_uncertainty": u}],
        "not_included": [],
        "bound": "both",
    }
    return stated | changes


def finding(identity: str, kind: str, *quantities: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """Give one measured finding in the outer zone of blade 7."""
    measured = {"status": "measured", "quantities": list(quantities), "warnings": []}
    if not quantities:
        measured = {"status": "not_measured", "reason": "too dark"}
    stated = {"id": identity, "kind": kind, **PLACE, **measured, **changes}
    return {name: value for name, value in stated.items() if value is not None}


def results(*findings: dict[str, Any], **capture: Any) -> dict[str, Any]:
    """Give the results of one capture."""
    return {
        "format": "fringewise.results/1",
        "program": "fringewise",
        "capture": {**HEAD, **capture},
        "findings": list(findings),
    }
