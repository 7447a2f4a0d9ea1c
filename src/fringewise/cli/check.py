"""``fringewise check``: is this capture sound, how near, how much of it can be used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.shell import Status, leave, length_unit, progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fringewise.capture import Capture
    from fringewise.workflow.surfaces import CaptureCheck


def check(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE", help="Folder of the capture.")],
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Say whether a capture is sound.

    Its stand-off, how much of it can be used, what speaks against the rest, and how surely a point is known.
    The exit status is 1 when nothing should be measured on it.
    """
    settings = start()
    shown_in = length_unit(unit, settings)
    from fringewise.files import read_capture
    from fringewise.workflow.surfaces import check_capture, make_surface

    look = read_capture(capture)
    _say_all(_about(look))
    if not look.column_sets:
        say("Not fit for measuring: there are no fringe sets across the columns. Keep it as evidence.")
        leave(Status.ANSWER_IS_BAD)
    with progress() as shown:
        found = check_capture(look, make_surface(look, shown))
    _say_all(_found(found, shown_in))
    leave(Status.ANSWER_IS_BAD if found.faults else Status.ANSWERED)


def _say_all(lines: Iterable[str]) -> None:
    for line in lines:
        say(line)


def _about(look: Capture) -> Iterable[str]:
    yield f"Taken       {look.captured_at.isoformat(sep=' ')}"
    if look.head is not None:
        camera = look.head.camera
        yield f"Head        {look.head.serial}, {camera.width} × {camera.height} pixels, {look.bits} bits"
    yield f"Probe       {look.probe or 'not known'}"
    for one in look.sets:
        plan = one.fringe_set
        yield f"Fringes     {plan.fringes:g} across the {plan.across}, {len(plan.shifts_rad)} shifts"
    yield f"Content     {look.sha256}"
    yield ""


def _found(found: CaptureCheck, unit: str) -> Iterable[str]:
    from fringewise.cli.words import length, share, small_length

    near, far = found.range_mm
    yield f"Stand-off   {length(found.standoff_mm, unit)} (from {length(near, unit)} to {length(far, unit)})"
    yield f"Usable      {share(found.valid_fraction)} of the photo"
    for flag in found.flags:
        still = "" if flag.bars_use else " (still usable)"
        yield f"              {share(flag.share):>16}  {flag.words}{still}"
    yield f"Motion      {found.motion}"
    yield f"One point   standard uncertainty {small_length(found.point_sigma_mm, unit)} along its ray"
    yield "              from frame noise alone; a size uses thousands of points and states its own"
    for unknown in found.not_known:
        yield f"Not known   {unknown}"
    yield ""
    for fault in found.faults:
        yield f"Not sound: {fault}"
    if not found.faults:
        yield "This capture is sound."
