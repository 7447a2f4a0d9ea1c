"""A verification of the head HX-07 with one feature, for tests."""

from __future__ import annotations

from typing import Any, Final

from fringewise.core.documents import moment_of
from fringewise.equipment.documents import VerificationDocument

NOW: Final = moment_of("2026-03-14T09:26:53Z")
SHA: Final = "a" * 64


def verification(at: str = "2026-03-14T07:55:00Z", **changes: Any) -> VerificationDocument:
    feature = {
        "finding": "L1",
        "quantity": "straight",
        "unit": "mm",
        "reading": 10.004,
        "expanded_uncertainty": 0.01,
        "error": 0.004,
        "e_n": 0.4,
        "test_value_uncertainty": 0.002,
        "permissible_error": 0.06,
        "passed": True,
    }
    stated = {
        "format": "fringewise.verification/1", "head": "HX-07", "head_sha256": SHA, "probe": "PB-114",
        "block": "B-12", "done_at": at, "occasion": "fitted", "by": "technician A", "features": [feature],
        "outcome": "passed",
    }  # fmt: skip
    return VerificationDocument.model_validate(stated | changes)
