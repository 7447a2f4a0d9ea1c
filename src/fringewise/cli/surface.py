"""``fringewise surface``: a capture to a surface file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fringewise.cli.shell import length_unit, progress, say, start


def surface(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE", help="Folder of the capture.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="File to write: .npz, .ply or .glb.")],
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Turn a capture into a surface file.

    Each point comes with its uncertainty and its flags.
    """
    settings = start()
    shown_in = length_unit(unit, settings)
    from fringewise.cli.words import length, share
    from fringewise.files import read_capture, write_surface
    from fringewise.workflow.surfaces import check_capture, make_surface

    with progress() as shown:
        look = read_capture(capture)
        made = make_surface(look, shown)
        write_surface(made, out)
    found = check_capture(look, made)
    say(f"{out}: a surface on {share(found.valid_fraction)} of the photo")
    say(f"stand-off {length(found.standoff_mm, shown_in)}, from {_reach(found.range_mm, shown_in)}")


def _reach(range_mm: tuple[float, float], unit: str) -> str:
    from fringewise.cli.words import length

    near, far = range_mm
    return f"{length(near, unit)} to {length(far, unit)}"
