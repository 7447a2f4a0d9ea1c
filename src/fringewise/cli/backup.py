"""``fringewise backup`` and ``fringewise restore``: the whole archive as plain files, and back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fringewise.cli.desk import at_desk, place
from fringewise.cli.shell import progress, say


def backup(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="New folder for the backup.")],
) -> None:
    """Write the whole archive into a new folder, while others go on working.

    It holds plain files: every entry as a line of JSON, and every file under its hash. It can be restored
    into either database.
    """
    from fringewise.archive.backup import back_up

    with at_desk() as office, progress() as shown:
        count = back_up(office.archive, folder, shown)
        say(f"{count} entries of the archive at {place(office.settings)} are in {folder}")


def restore(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A backup.")],
) -> None:
    """Fill an empty archive from a backup.

    The chain and every file are checked first; a backup in which something was changed is refused, and so is
    an archive that holds entries already.
    """
    from fringewise.archive.backup import restore as fill
    from fringewise.wiring import open_archive, read_settings

    settings = read_settings()
    archive = open_archive(settings)
    try:
        with progress() as shown:
            count = fill(archive, folder, shown)
    finally:
        archive.close()
    say(f"{count} entries are in the archive at {place(settings)}")
