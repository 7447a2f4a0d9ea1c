"""Run as a program of its own on a disk of 1 MiB: works until it is full, makes room, works on."""

from __future__ import annotations

import io
import itertools
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from inspection_examples import CARD

from fringewise.archive.archive import SqlArchive
from fringewise.archive.audit import audit
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.core.errors import PlaceUnusable
from fringewise.record.chain import Draft
from fringewise.record.people import Rules
from fringewise.workflow.keeping import Desk, add_person, begin_inspection


def until_full(write: Callable[[int], str]) -> list[str]:
    """Write until the disk is full; gives what was acknowledged."""
    acknowledged = []
    for number in itertools.count():
        try:
            acknowledged.append(write(number))
        except PlaceUnusable as error:
            if "can't be" in str(error):
                return acknowledged
            raise
    return acknowledged


def main(disk: Path) -> None:
    """Fill the disk with files, then with entries; nothing acknowledged is lost, and work goes on after."""
    ballast = disk / "ballast"
    ballast.write_bytes(b"\1" * 300_000)
    archive = SqlArchive(open_database(disk / "archive.sqlite"), FolderObjects(disk / "objects"))
    desk = Desk(archive, "A", lambda: datetime(2026, 3, 14, tzinfo=UTC), Rules())
    add_person(desk, "A", "A", ["technician", "administrator"])
    begin_inspection(desk, "W-1", CARD)

    def file(number: int) -> str:
        return archive.keep(io.BytesIO(f"{number:09d}".encode() * 2000))

    def doubt(number: int) -> str:
        words = {"words": "a doubt of some length " * 40}
        return desk.write(Draft("W-1", "doubt", f"{number}", words))[0].sha256

    kept, said = until_full(file), until_full(doubt)
    assert kept
    assert set(said) <= {entry.sha256 for entry in archive.all_entries()}
    assert all(archive.holds(one) for one in kept)
    ballast.unlink()
    assert audit(archive).faults == ()
    desk.write(Draft("W-1", "doubt", "after", {"words": "there is room again"}))
    archive.keep(io.BytesIO(b"there is room again"))
    assert audit(archive).faults == ()
    print(f"full after {len(kept)} files and {len(said)} entries")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
