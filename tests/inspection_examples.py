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
