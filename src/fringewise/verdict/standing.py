"""How far a capture's sizes can be relied on: the head's dates, and its verifications round the capture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final

from fringewise.capture.head import Head
from fringewise.core.documents import moment_of
from fringewise.equipment.documents import VerificationDocument
from fringewise.verdict.sizes import Size

CALIBRATION: Final = "calibration"
_END: Final = "end of work"


@dataclass(frozen=True, slots=True)
class HeadDates:
    """A head by its serial, the days between which its calibration holds, and how near it measures (mm).

    What is not stated is None. `sha256` is that of the calibration's file, where it is known: a verification
    with another calibration does not count.
    """

    serial: str
    calibrated_on: date | None = None
    valid_until: date | None = None
    nearest_mm: float | None = None
    sha256: str = ""

    @classmethod
    def of(cls, head: Head, sha256: str = "") -> HeadDates:
        """Take them from a head."""
        nearest = None if head.working_range_mm is None else head.working_range_mm[0]
        return cls(head.serial, head.calibrated_on, head.valid_until, nearest, sha256)


@dataclass(frozen=True, slots=True)
class Standing:
    """What a capture's sizes rest on.

    Attributes
    ----------
    doubts : tuple of str
        Every reason why they can't be relied on without more.
    permissible_error_mm : float, optional
        Of the block that the head passed on that day, before the capture and after it or so far.
    """

    doubts: tuple[str, ...] = ()
    permissible_error_mm: float | None = None


def standing(
    serial: str,
    captured_at: datetime | None,
    heads: Sequence[HeadDates],
    verifications: Sequence[VerificationDocument],
) -> Standing:
    """Say how far a capture can be relied on.

    Parameters
    ----------
    serial : str
        Of the head; empty where not known.
    captured_at : datetime, optional
        When the capture was taken; None where not known.
    heads : sequence of HeadDates
    verifications : sequence of VerificationDocument
        Of any heads; those of this head, made on the day of the capture, count.

    Examples
    --------
    >>> standing("HX-07", None, [], []).doubts[0]
    'until when the calibration of head HX-07 holds is not known'
    """
    if not serial:
        return Standing(("the head is not known",))
    hashes = {one.sha256 for one in heads if one.serial == serial and one.sha256}
    own = [one for one in verifications if one.head == serial and (not hashes or one.head_sha256 in hashes)]
    doubts = [*_date_doubts(serial, captured_at, heads), *_verification_doubts(serial, captured_at, own)]
    passed = [one for one in _of_the_day(captured_at, own) if one.outcome == "passed"]
    failed = any(one.outcome == "failed" for one in _of_the_day(captured_at, own))
    return Standing(tuple(doubts), None if failed else _permissible_error(passed))


def with_stand_in(size: Size, unit_is_length: bool, permissible_error_mm: float | None) -> Size:
    """Let a passed verification stand in for a calibration's part that an uncertainty leaves out.

    The block's permissible error counts as the half width of a rectangular distribution, for lengths only.

    Examples
    --------
    >>> made = with_stand_in(Size(0.3, 0.004, not_included=("calibration",)), True, 0.03)
    >>> made.not_included, round(made.standard_uncertainty, 4)
    ((), 0.0178)
    """
    if (
        permissible_error_mm is None
        or not unit_is_length
        or not any(_is_calibration(one) for one in size.not_included)
    ):
        return size
    part = permissible_error_mm / math.sqrt(3)
    wider = math.hypot(size.standard_uncertainty, part)
    scale = wider / size.standard_uncertainty if size.standard_uncertainty else 1.0
    return replace(
        size,
        standard_uncertainty=wider,
        shared_uncertainty=math.hypot(size.shared_uncertainty, part),
        not_included=tuple(one for one in size.not_included if not _is_calibration(one)),
        quantiles=tuple((p, size.value + scale * (x - size.value)) for p, x in size.quantiles),
    )


def _is_calibration(part: str) -> bool:
    """Say whether what an uncertainty leaves out is the calibration; its reason may follow after a colon."""
    return part == CALIBRATION or part.startswith(f"{CALIBRATION}:")


def _date_doubts(serial: str, captured_at: datetime | None, heads: Sequence[HeadDates]) -> list[str]:
    known = next((one for one in heads if one.serial == serial), None)
    if known is None or known.valid_until is None:
        return [f"until when the calibration of head {serial} holds is not known"]
    if captured_at is None:
        return [f"when the capture was taken is not known, so neither whether head {serial} held then"]
    day = captured_at.date()
    if day > known.valid_until:
        return [f"the calibration of head {serial} ran out on {known.valid_until}, before {day}"]
    if known.calibrated_on is not None and day < known.calibrated_on:
        return [f"head {serial} was calibrated on {known.calibrated_on}, after the capture of {day}"]
    return []


def _verification_doubts(
    serial: str, captured_at: datetime | None, own: Sequence[VerificationDocument]
) -> list[str]:
    if captured_at is None:
        return [f"when the capture was taken is not known, so no verification of head {serial} counts"]
    day = _of_the_day(captured_at, own)
    before = [one for one in day if moment_of(one.done_at) <= captured_at]
    after = [one for one in day if moment_of(one.done_at) > captured_at]
    doubts = []
    if not before or before[-1].outcome != "passed":
        doubts.append(f"head {serial} was not verified on a block before the work of {captured_at.date()}")
    if not any(one.outcome == "passed" and one.occasion == _END for one in after):
        doubts.append(f"head {serial} was not verified on a block after the work of {captured_at.date()}")
    failed = next((one for one in after if one.outcome == "failed"), None)
    if failed is not None:
        words = f"head {serial} failed block {failed.block} at {failed.done_at}, after the capture"
        doubts.append(f"{words}: its sizes are suspect")
    return doubts


def _of_the_day(
    captured_at: datetime | None, own: Sequence[VerificationDocument]
) -> list[VerificationDocument]:
    """Give the verifications of the day of the capture, in the order of time."""
    if captured_at is None:
        return []
    zone = captured_at.tzinfo
    found = [one for one in own if moment_of(one.done_at).astimezone(zone).date() == captured_at.date()]
    return sorted(found, key=lambda one: moment_of(one.done_at))


def _permissible_error(passed: Sequence[VerificationDocument]) -> float | None:
    """Give the greatest permissible error of a length that was read; None where none was."""
    errors = [one.permissible_error for document in passed for one in document.features if one.unit == "mm"]
    return max(errors, default=None)
