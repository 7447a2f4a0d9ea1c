"""``fringewise add``: captures, photos, videos and zip files into the archive, limits books too."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.desk import at_desk, look_named
from fringewise.cli.shell import Status, leave, note, say

if TYPE_CHECKING:
    from fringewise.workflow.intake import Taken
    from fringewise.workflow.keeping import Desk


def add(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="PATH…",
            help="Captures, photos, videos, zip files; limits books (.toml), verifications (.json).",
        ),
    ],
    inspection: Annotated[
        str | None, typer.Option("--inspection", metavar="NAME", help="The inspection it belongs to.")
    ] = None,
    look: Annotated[
        str | None, typer.Option("--look", metavar="LOOK", help='As "STAGE / ITEM / LOOK" on the work card.')
    ] = None,
) -> None:
    """Take captures, photos and videos into the archive.

    What is there already is known by its content. With an inspection and a look they become that look's
    evidence. The exit status is 1 when something inside a folder or zip file was unsound and not taken.
    """
    from fringewise.core.errors import refuse
    from fringewise.workflow.inspecting import attach

    if (inspection is None) != (look is None):
        raise refuse("--look", "", "goes with --inspection, and the other way round")
    with at_desk() as office:
        about = office.desk.inspection(inspection) if inspection else None
        where = look_named(about, look) if about is not None and look is not None else None
        unsound = 0
        taken: list[Taken] = []
        for path in paths:
            more, faults = take_path(office.desk, path)
            taken += more
            unsound += faults
        if about is not None and where is not None and taken:
            attach(office.desk, about, where, taken)
            say(f"{len(taken)} at {where.subject} of {about.identity}")
    leave(Status.ANSWER_IS_BAD if unsound else Status.ANSWERED)


def take_path(desk: Desk, path: Path) -> tuple[list[Taken], int]:
    """Take in what is at a path, line by line; gives what was taken and how many captures were unsound."""
    from fringewise.files.intake import PassedOver, parcels_at
    from fringewise.workflow.intake import take_in

    if path.suffix.lower() == ".toml":
        take_book(desk, path)
        return [], 0
    if path.suffix.lower() == ".json":
        take_verification(desk, path)
        return [], 0
    taken: list[Taken] = []
    unsound = 0
    for parcel in parcels_at(path):
        if isinstance(parcel, PassedOver):
            unsound += parcel.unsound
            note(f"{parcel.name}: not taken: {parcel.words}")
            continue
        one = take_in(desk, parcel)
        said = "" if one.new else "  (was here already)"
        say(f"{one.kind:<8} {one.sha256[:12]}  {one.name}{said}")
        taken.append(one)
    return taken, unsound


def take_verification(desk: Desk, path: Path) -> None:
    """Write a head's verification down; one that did not pass doubts what came since the last that did."""
    from fringewise.files.limits import read_verification
    from fringewise.workflow.signing import record_verification

    document = read_verification(path).model_dump(exclude_none=True)
    _, doubted = record_verification(desk, document)
    say(f"verified head {document['head']} on {document['done_at']}: {document['outcome']}")
    for name in doubted:
        say(f"  inspection {name} is in doubt: fringewise inspection show {name}")


def take_book(desk: Desk, path: Path) -> str:
    """Take a limits book in, where it is not here already; gives its hash."""
    from fringewise.files import read_limits
    from fringewise.files.limits import limits_text
    from fringewise.workflow.keeping import take_limits

    book = read_limits(path)
    sha256, new = take_limits(desk, limits_text(path), book.document.title, book.document.source)
    said = "" if new else "  (was here already)"
    stands = "" if book.in_force else f"  not in force: {book.why_not_in_force}"
    say(f"limits   {sha256[:12]}  {book.document.title}{said}{stands}")
    return sha256
