"""A head and its verifications on the day of a capture, for tests."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

from fringewise.core.documents import moment_of
from fringewise.equipment.documents import VerificationDocument
from fringewise.verdict.standing import HeadDates

TAKEN: Final = moment_of("2026-03-14T09:26:53Z")
HEAD_DATES: Final = HeadDates("HX-07", date(2025, 9, 1), date(2026, 9, 1))


def verification(at: str, occasion: str, outcome: str = "passed", **changes: Any) -> VerificationDocument:
    """Give a verification of the head HX-07."""
    feature = {
        "finding": "L1",
        "quantity": "straight",
        "unit": "mm",
        "reading": 5.011,
        "expanded_uncertainty": 0.014,
        "error": 0.009,
        "e_n": 0.64,
        "test_value_uncertainty": 0.006,
        "permissible_error": 0.05,
        "passed": outcome == "passed",
    }
    stated = {
        "format": "fringewise.verification/1",
        "head": "HX-07",
        "head_sha256": "0" * 64,
        "block": "B-12",
        "done_at": at,
        "occasion": occasion,
        "by": "technician A",
        "features": [feature, feature | {"finding": "D1", "permissible_error": 0.03}],
        "outcome": outcome,
    }
    return VerificationDocument.model_validate(stated | changes)


BEFORE: Final = verification("2026-03-14T07:55:00Z", "fitted")
AFTER: Final = verification("2026-03-14T15:10:00Z", "end of work")
