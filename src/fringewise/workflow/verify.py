"""A head reads a certified block: through the very same measuring path as any finding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

from fringewise.capture.capture import Capture
from fringewise.core.errors import InputRefused, Problem
from fringewise.core.progress import Progress, Silent
from fringewise.equipment.documents import BlockDocument, VerificationDocument
from fringewise.equipment.validity import block_stands_against, stands_against
from fringewise.equipment.verification import (
    WHEN_PASSED,
    BlockReading,
    FeatureTest,
    read_block,
)
from fringewise.findings.finding import Finding
from fringewise.workflow.measure import Measurement, measure

Occasion = Literal["fitted", "after a knock", "end of work"]

_SILENT: Final = Silent()


@dataclass(frozen=True, slots=True)
class Verified:
    """A verification as it is kept, with what a person should read beside it.

    Attributes
    ----------
    document : VerificationDocument
    reading : BlockReading
    words : tuple of str
        What came of each feature, what stands against head and block, and what a pass means.
    """

    document: VerificationDocument
    reading: BlockReading
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Circumstances:
    """Who verified, when, why, and how warm the block was.

    Attributes
    ----------
    by : str
    occasion : {"fitted", "after a knock", "end of work"}
    now : datetime
        With its zone.
    temperature_c : float, optional
    head_sha256 : str
        Hash of the head's calibration file.
    """

    by: str
    occasion: Occasion
    now: datetime
    head_sha256: str
    temperature_c: float | None = None


def verify(
    capture: Capture,
    block: BlockDocument,
    findings: Sequence[Finding],
    how: Circumstances,
    *,
    where: str = "findings",
    progress: Progress = _SILENT,
) -> Verified:
    """Verify a head on a certified block.

    Parameters
    ----------
    capture : Capture
        Of the block.
    block : BlockDocument
    findings : sequence of Finding
        The marks: one finding a feature, by the name that the block gives it.
    how : Circumstances
    where : str
        What the findings are called in messages.
    progress : Progress

    Raises
    ------
    InputRefused
        The capture has no head, or was taken after now.
    """
    head = capture.head
    problems = []
    if head is None:
        problems.append(Problem("capture", "head", "must be there: it is what is verified"))
    if capture.captured_at > how.now:
        rule = "must not lie after now: is the clock right?"
        problems.append(Problem("capture", "captured_at", rule, capture.captured_at.isoformat()))
    if problems or head is None:
        raise InputRefused(problems)
    wanted = {one.finding for one in block.features}
    made = measure(
        capture, [one for one in findings if one.identity in wanted], where=where, progress=progress
    )
    reading = read_block(block, made.results, how.temperature_c)
    blocked = block_stands_against(block, how.now.date())
    against = (*blocked, *stands_against(head, how.now, probe=capture.probe))
    outcome = reading.outcome
    if outcome == "passed" and _bars(block, how):
        outcome = "not able to verify"
    document = _document(capture, block, how, made, reading, outcome)
    return Verified(document, reading, tuple(_words(reading, outcome, against)))


def _bars(block: BlockDocument, how: Circumstances) -> bool:
    """Whether the block's certificate is known not to hold: nothing passes on it."""
    day = how.now.date().isoformat()
    late = block.valid_until is not None and day > block.valid_until
    early = block.calibrated_on is not None and day < block.calibrated_on
    return late or early


def _document(
    capture: Capture,
    block: BlockDocument,
    how: Circumstances,
    made: Measurement,
    reading: BlockReading,
    outcome: str,
) -> VerificationDocument:
    assert capture.head is not None
    stated: dict[str, Any] = {
        "format": "fringewise.verification/1",
        "head": capture.head.serial,
        "head_sha256": how.head_sha256,
        "probe": capture.probe,
        "block": block.id,
        "done_at": how.now.isoformat().replace("+00:00", "Z"),
        "occasion": how.occasion,
        "by": how.by,
        "temperature_c": how.temperature_c,
        "standoff_mm": made.summary.standoff_mm,
        "capture_sha256": capture.sha256 or None,
        "features": [_feature(one) for one in reading.tests],
        "outcome": outcome,
    }
    return VerificationDocument.model_validate(stated)


def _feature(test: FeatureTest) -> dict[str, Any]:
    return {
        "finding": test.feature.finding,
        "quantity": test.feature.quantity,
        "unit": test.feature.unit,
        "reading": test.reading,
        "expanded_uncertainty": test.expanded_uncertainty,
        "error": test.error,
        "e_n": test.e_n,
        "test_value_uncertainty": test.test_value_uncertainty,
        "permissible_error": test.feature.permissible_error,
        "passed": test.passed,
    }


def _words(reading: BlockReading, outcome: str, against: Sequence[str]) -> Sequence[str]:
    said = [f"{one.feature.finding} {one.feature.quantity}: {one.words}" for one in reading.tests]
    said += [f"not read: {one}" for one in reading.not_read]
    said += [f"against it: {one}" for one in against]
    if outcome == "passed":
        said.append(WHEN_PASSED)
    return said
