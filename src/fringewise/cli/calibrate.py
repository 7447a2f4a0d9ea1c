"""``fringewise calibrate``: captures of a target to a calibrated head."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.shell import length_unit, progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from fringewise.workflow.calibrate import CalibratedHead


def calibrate(
    captures: Annotated[
        list[Path], typer.Argument(metavar="CAPTURE…", help="Folders of captures of the target.")
    ],
    target: Annotated[Path, typer.Option("--target", metavar="FILE", help="The target (JSON, format 6).")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Head to write (JSON, format 2).")],
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE", help="Picture of what is left over (PNG).")
    ] = None,
    valid_until: Annotated[
        str | None, typer.Option("--valid-until", metavar="DATE", help="Last day it holds, as 2027-03-14.")
    ] = None,
    rows: Annotated[
        bool,
        typer.Option("--rows/--no-rows", help="Use fringes across the rows, if all have them."),
    ] = True,
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Calibrate a head from captures of a flat target in several poses.

    Camera, projector and their uncertainty are found together with the target's own shape. Captures that
    don't tell enough are refused, with what to add. A mistake in the target's pitch stays unseen until a
    certified block is read.
    """
    settings = start()
    shown_in = length_unit(unit, settings)
    from fringewise.files import read_capture, read_target, write_head
    from fringewise.workflow.calibrate import calibrate as calibrate_head

    last_day = _day(valid_until)
    looks = ((folder.name, read_capture(folder)) for folder in captures)
    with progress() as shown:
        made = calibrate_head(
            looks, read_target(target), valid_until=last_day, rows=rows, count=len(captures), progress=shown
        )
    write_head(made.head, out)
    if picture is not None:
        from fringewise.render import calibration_picture, write_picture

        write_picture(calibration_picture(made.calibration), picture)
    for line in _lines(made, out, shown_in):
        say(line)


def _day(text: str | None) -> date | None:
    from datetime import date

    from fringewise.core.errors import refuse

    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise refuse("--valid-until", "", "must be a day, as 2027-03-14", text) from None


def _lines(made: CalibratedHead, out: Path, unit: str) -> Iterable[str]:
    from fringewise.calibrate.sufficiency import depth_span_mm, scale_uncertainty
    from fringewise.cli.words import length

    found = made.calibration
    width, height = found.head.projector.width, found.head.projector.height or 1.0
    yield f"{'capture':<20} {'points':>6}  {'photo, px':>9}  {'columns':>9}  {'rows':>9}   left over, RMS"
    for n, view in enumerate(found.views):
        rms = found.view_rms(n)
        rows = f"{rms['rows'] * height:9.3g}" if "rows" in rms else f"{'–':>9}"
        columns = f"{rms['columns'] * width:9.3g}"
        yield f"{view.name:<20} {len(view.points):>6}  {rms['camera']:9.3f}  {columns}  {rows}"
    points = found.points_in_camera()
    near, far = depth_span_mm(points)
    scale = max(scale_uncertainty(found.head, v, p) for v, p in zip(found.views, points, strict=True))
    yield f"{out}: head {made.head.serial}, calibrated from {length(near, unit)} to {length(far, unit)}."
    yield f"The calibration leaves sizes uncertain by {100 * scale:.2g} % (standard uncertainty) at worst."
    for words in made.notes:
        yield f"note: {words}"
    yield "The target that calibrates can't test the scale: verify the head on a certified block."
