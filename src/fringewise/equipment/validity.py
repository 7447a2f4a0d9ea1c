"""What stands against using a head now, in words; and what a failed verification touches.

Nothing is silently accepted: an unknown date, probe or range is "not known", never "valid".
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from fringewise.capture.head import Head
from fringewise.core.documents import moment_of
from fringewise.equipment.documents import BlockDocument, VerificationDocument


@dataclass(frozen=True, slots=True)
class Used:
    """Something that rests on a head's measurements.

    Attributes
    ----------
    what : str
        In words, such as ``engine D-0007, finding F3 on blade 12``.
    at : datetime
        When the capture was taken that it rests on, with its zone.
    head : str
        Serial of the head.
    signed : bool
        Whether it was signed off.
    """

    what: str
    at: datetime
    head: str
    signed: bool = False


def stands_against(
    head: Head,
    now: datetime,
    *,
    probe: str | None = None,
    range_mm: tuple[float, float] | None = None,
    verifications: Sequence[VerificationDocument] | None = None,
    head_sha256: str | None = None,
) -> tuple[str, ...]:
    """Say everything that stands against measuring with a head at a moment; empty where nothing does.

    Parameters
    ----------
    head : Head
    now : datetime
        With its zone: of the capture, or of the question.
    probe : str, optional
        That is fitted; absent is not known.
    range_mm : (float, float), optional
        Nearest and farthest depth measured; absent is not asked.
    verifications : sequence of VerificationDocument, optional
        Of any heads; absent: verification is not asked.
    head_sha256 : str, optional
        Hash of the head's calibration file; a verification with another calibration does not count.

    Examples
    --------
    >>> from fringewise.capture import Camera, Lens, Projector
    >>> import numpy as np
    >>> projector = Projector(Lens(0.72, 1, 0.5, 0), 1.0, None, np.eye(3), np.array([-2.6, 0, 0]))
    >>> bare = Head("HX-07", Camera(960, 720, Lens(700.0, 700.0, 480.0, 360.0)), projector)
    >>> stands_against(bare, moment_of("2026-03-14T09:26:53Z"), probe="PB-114")[0]
    'which probes head HX-07 is calibrated with is not known'
    """
    if now.tzinfo is None:
        raise ValueError("the moment must have a zone")
    said = [*_pairing(head, probe), *_dates(head, now.date()), *_unknown_parts(head)]
    if range_mm is not None:
        said.extend(_range(head, range_mm))
    if verifications is not None:
        said.extend(_verified(head, now, verifications, head_sha256, probe))
    return tuple(said)


def block_stands_against(block: BlockDocument, day: date) -> tuple[str, ...]:
    """Say what stands against a block's certificate on a day."""
    name = f"block {block.id}"
    said = []
    if block.certificate is None:
        said.append(f"the certificate of {name} is not known")
    if block.valid_until is None:
        said.append(f"until when the certificate of {name} holds is not known")
    elif day > date.fromisoformat(block.valid_until):
        said.append(f"the certificate of {name} ran out on {block.valid_until}: send it to be certified")
    if block.calibrated_on is not None and day < date.fromisoformat(block.calibrated_on):
        said.append(f"{name} was certified on {block.calibrated_on}, after {day}: is the clock right?")
    return tuple(said)


def touched_by(
    failed: VerificationDocument, verifications: Sequence[VerificationDocument], used: Iterable[Used]
) -> tuple[Used, ...]:
    """List what rests on a head since it last passed, in order of time; all of it where it never did.

    Parameters
    ----------
    failed : VerificationDocument
        The failure; what was done later with the head is touched as well.
    verifications : sequence of VerificationDocument
        All that are known; those of the same head before the failure count.
    used : iterable of Used
        Everything that rests on measurements, signed or not.
    """
    moment = moment_of(failed.done_at)
    passes = [
        moment_of(one.done_at)
        for one in verifications
        if one.head == failed.head and one.outcome == "passed" and moment_of(one.done_at) < moment
    ]
    since = max(passes, default=None)
    touched = [one for one in used if one.head == failed.head and (since is None or one.at >= since)]
    return tuple(sorted(touched, key=lambda one: one.at))


def _pairing(head: Head, probe: str | None) -> Iterable[str]:
    if not head.probes:
        yield f"which probes head {head.serial} is calibrated with is not known"
    elif probe is None:
        yield f"which probe is fitted is not known; head {head.serial} holds for {', '.join(head.probes)}"
    elif probe not in head.probes:
        yield (
            f"probe {probe} is fitted, but head {head.serial} is calibrated with {', '.join(head.probes)}:"
            " fit that probe, or calibrate the head with this one"
        )


def _dates(head: Head, day: date) -> Iterable[str]:
    if head.calibrated_on is None:
        yield f"when head {head.serial} was calibrated is not known"
    elif day < head.calibrated_on:
        yield f"head {head.serial} was calibrated on {head.calibrated_on}, after {day}: is the clock right?"
    if head.valid_until is None:
        yield f"until when the calibration of head {head.serial} holds is not known"
    elif day > head.valid_until:
        yield f"the calibration of head {head.serial} ran out on {head.valid_until}: calibrate it"


def _unknown_parts(head: Head) -> Iterable[str]:
    if head.covariance is None:
        yield f"how well head {head.serial} is calibrated is not known: it states no covariance"
    if head.noise is None:
        yield f"the noise of head {head.serial} is not known: it is estimated from each capture"


def _range(head: Head, range_mm: tuple[float, float]) -> Iterable[str]:
    if head.working_range_mm is None:
        yield f"the working range of head {head.serial} is not known"
        return
    near, far = head.working_range_mm
    if range_mm[0] < near or range_mm[1] > far:
        yield (
            f"it was measured from {range_mm[0]:.1f} to {range_mm[1]:.1f} mm, but head {head.serial} works"
            f" from {near:g} to {far:g} mm"
        )


def _verified(
    head: Head,
    now: datetime,
    verifications: Sequence[VerificationDocument],
    head_sha256: str | None,
    probe: str | None,
) -> Iterable[str]:
    own = sorted(
        (one for one in verifications if one.head == head.serial), key=lambda one: moment_of(one.done_at)
    )
    ahead = [one for one in own if moment_of(one.done_at) > now]
    if ahead:
        yield f"head {head.serial} has a verification of {ahead[-1].done_at}, after now: is the clock right?"
    day = now.date()
    today = [
        one
        for one in own
        if moment_of(one.done_at) <= now and moment_of(one.done_at).astimezone(now.tzinfo).date() == day
    ]
    if not today:
        others = sorted({one.head for one in verifications} - {head.serial})
        of_others = f" (those given are of {', '.join(others)})" if others and not own else ""
        yield f"head {head.serial} was not verified on a block on {day}{of_others}: verify it"
        return
    last = today[-1]
    if last.outcome != "passed":
        yield f"head {head.serial} did not pass block {last.block} at {last.done_at}: {last.outcome}"
    if head_sha256 is not None and last.head_sha256 != head_sha256:
        yield f"head {head.serial} was verified with another calibration than this one: verify it again"
    if last.probe != probe:
        yield (
            f"head {head.serial} was verified with probe {last.probe or 'not known'},"
            f" fitted is {probe or 'not known'}: verify it again"
        )
