"""``fringewise limits``: a limits book as a person reads it, or what changed from one to the next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.shell import Status, leave, say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fringewise.verdict.book import LimitsBook
    from fringewise.verdict.book_changes import BookChange, OpenFinding


def limits(
    book: Annotated[Path, typer.Argument(metavar="FILE", help="The limits book (TOML, or JSON).")],
    newer: Annotated[
        Path | None, typer.Argument(metavar="[NEW]", help="A newer one: what changed is shown.")
    ] = None,
    findings: Annotated[
        list[Path] | None,
        typer.Option("--open", metavar="FILE", help="Results or verdicts: which findings a change touches."),
    ] = None,
) -> None:
    """Print a limits book the way it is compared with the manual, or what changed in a newer one.

    Each entry has a box to tick on paper, its place in the manual and its line in the file. The exit status
    is 1 when the book is not in force yet.
    """
    from fringewise.core.errors import refuse
    from fringewise.files import read_limits
    from fringewise.verdict.book_words import book_lines

    if newer is None:
        if findings:
            raise refuse("--open", "", "goes with two limits books: the old one and the new one")
        read = read_limits(book)
        lines = book_lines(read)
    else:
        read = read_limits(newer)
        lines = _changed(read_limits(book), read, findings or [])
    for line in lines:
        say(line)
    leave(Status.ANSWERED if read.in_force else Status.ANSWER_IS_BAD)


def _changed(old: LimitsBook, new: LimitsBook, findings: Sequence[Path]) -> Iterator[str]:
    from fringewise.verdict.book_changes import book_changes, touched
    from fringewise.workflow.limits import open_findings

    changes = book_changes(old, new)
    yield from _change_lines(changes)
    if not new.in_force:
        yield f"The newer book is not in force: {new.why_not_in_force}."
    for path in findings:
        bears_on = touched(changes, open_findings(_read(path)))
        yield f"{path}: {_touched_words(bears_on)}"


def _change_lines(changes: Sequence[BookChange]) -> Iterator[str]:
    shown = dict.fromkeys((one.change, one.entry, one.says) for one in changes)
    if not shown:
        yield "Nothing changed."
    for change, entry, says in shown:
        yield f"{change:<8} {entry}"
        for one in says:
            yield f"           {one}"


def _touched_words(findings: Sequence[OpenFinding]) -> str:
    if not findings:
        return "no open finding is touched."
    named = ", ".join(f"{one.identity} ({one.kind.replace('_', ' ')})" for one in findings)
    return f"touched, decide again: {named}"


def _read(path: Path) -> object:
    """Read results or verdicts, whichever the file is."""
    from fringewise.core.errors import FormatUnknown
    from fringewise.files import read_results, read_verdicts

    try:
        return read_results(path)
    except FormatUnknown:
        return read_verdicts(path)
