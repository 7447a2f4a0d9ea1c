"""What the commands that work with the archive share: a desk, and looks by their words."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fringewise.cli.shell import note

if TYPE_CHECKING:
    from fringewise.archive.archive import SqlArchive
    from fringewise.record.inspection import Inspection, Required
    from fringewise.wiring import Settings
    from fringewise.workflow.keeping import Desk


@dataclass(frozen=True, slots=True)
class Office:
    """The desk of who works here, and the archive behind it."""

    desk: Desk
    archive: SqlArchive
    settings: Settings


@contextlib.contextmanager
def at_desk(settings: Settings | None = None) -> Iterator[Office]:
    """Open the archive that the settings name and give the desk; the archive is closed at the end."""
    from fringewise.wiring import desk, fresh_person, open_archive, read_settings

    held = settings or read_settings()
    archive = open_archive(held)
    try:
        fresh = fresh_person(archive)
        made = desk(held, archive)
        if fresh:
            note(f"A new archive at {place(held)}: {held.person} is its technician and administrator.")
        yield Office(made, archive, held)
    finally:
        archive.close()


def passphrase(path: Path, *, twice: bool = False) -> str:
    """Ask for the passphrase of a key's file without showing it, or take it from the variable."""
    import getpass
    import os

    from fringewise.core.errors import refuse
    from fringewise.wiring import PASSPHRASE_VARIABLE

    given = os.environ.get(PASSPHRASE_VARIABLE)
    if given is not None:
        return given
    try:
        asked = getpass.getpass(f"Passphrase for {path}: ")
        if twice and getpass.getpass("The same once more: ") != asked:
            raise refuse("passphrase", "", "must be the same both times")
    except EOFError as error:
        rule = f"must be typed, or given in {PASSPHRASE_VARIABLE} where nobody is there to be asked"
        raise refuse("passphrase", "", rule) from error
    return asked


def place(settings: Settings) -> str:
    """Say where the archive is, without a password."""
    head, at, tail = settings.archive.rpartition("@")
    return f"{head.partition('://')[0]}://…@{tail}" if at and "://" in head else settings.archive


def looks_named(inspection: Inspection, words: str) -> list[Required]:
    """Find the looks that words such as ``compressor 3 / 1-6 / *`` name: stage, items, look.

    Raises
    ------
    InputRefused
        They name none.
    """
    from fringewise.core.errors import refuse

    exact = [one for one in inspection.required if _plain(one.subject) == _plain(words)]
    parts = [part.strip() for part in words.split("/")]
    if exact or len(parts) != 3:
        found = exact
    else:
        stage, items, look = parts
        found = [
            one
            for one in inspection.required
            if _fits(stage, one.stage) and _fits_number(items, one.item) and _fits(look, one.look)
        ]
    if not found:
        rule = f'must name looks of inspection {inspection.identity}, as "{inspection.required[0].subject}"'
        raise refuse("LOOK", "", rule if inspection.required else "the card asks for no looks", words)
    return found


def look_named(inspection: Inspection, words: str) -> Required:
    """Find the one look that words name; InputRefused where they name none or several."""
    from fringewise.core.errors import refuse

    found = looks_named(inspection, words)
    if len(found) > 1:
        raise refuse("LOOK", "", f"must name one look (it names {len(found)})", words)
    return found[0]


def _plain(words: str) -> str:
    return "/".join(" ".join(part.split()).casefold() for part in words.split("/"))


def _fits(wanted: str, name: str) -> bool:
    return wanted == "*" or wanted.casefold() == name.casefold()


def _fits_number(wanted: str, item: str) -> bool:
    """Whether an item is one of ``*``, ``7``, ``1-6`` or ``1-6,9``."""
    for part in wanted.split(","):
        first, dash, last = part.strip().partition("-")
        if _fits(part.strip(), item):
            return True
        numbers = dash and first.isdigit() and last.isdigit() and item.isdigit()
        if numbers and int(first) <= int(item) <= int(last):
            return True
    return False
