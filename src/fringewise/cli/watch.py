"""``fringewise watch``: takes what a head drops into a folder, once it is complete."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fringewise.cli.desk import at_desk
from fringewise.cli.shell import note, say

if TYPE_CHECKING:
    from fringewise.workflow.keeping import Desk

_MARK: Final = "capture.json"


def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the head drops its captures.")],
    every: Annotated[
        float, typer.Option("--every", metavar="SECONDS", min=0.1, help="How often to look.")
    ] = 2.0,
    once: Annotated[bool, typer.Option("--once", help="Take what is there, then end.")] = False,
) -> None:
    """Take captures into the archive as they appear in a folder.

    A head writes capture.json last: a folder is taken once it is there. An unsound capture is named once and
    looked at again when its capture.json changes. Ends with Ctrl-C; nothing is left half-written.
    """
    import time

    from fringewise.core.errors import refuse

    if not folder.is_dir():
        raise refuse(str(folder), "", "must be a folder")
    seen: dict[Path, int] = {}
    with at_desk() as office:
        if not once:
            note(f"Watching {folder}; Ctrl-C ends it.")
        try:
            while True:
                take_new(office.desk, folder, seen)
                if once:
                    return
                time.sleep(every)
        except KeyboardInterrupt:
            note(f"Stopped. {len(seen)} captures were seen.")


def take_new(desk: Desk, folder: Path, seen: dict[Path, int]) -> None:
    """Take every complete capture below a folder that is not in `seen` as it stands now."""
    from fringewise.core.errors import InputRefused
    from fringewise.files.intake import parcels_at
    from fringewise.workflow.intake import Parcel, take_in

    for mark in sorted(folder.rglob(_MARK)):
        try:
            stamp = mark.stat().st_mtime_ns
        except OSError:
            continue
        if seen.get(mark) == stamp:
            continue
        seen[mark] = stamp
        try:
            for parcel in parcels_at(mark.parent):
                if isinstance(parcel, Parcel):
                    one = take_in(desk, parcel)
                    said = "" if one.new else "  (was here already)"
                    say(f"{one.kind:<8} {one.sha256[:12]}  {mark.parent.name}{said}")
        except InputRefused as error:
            note(f"{mark.parent.name}: not taken:")
            for line in str(error).splitlines():
                note(f"  {line}")
