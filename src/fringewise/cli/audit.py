"""``fringewise audit``: was anything changed from outside."""

from __future__ import annotations

from typing import Annotated

import typer

from fringewise.cli.desk import at_desk
from fringewise.cli.shell import Status, leave, progress, say


def audit(
    head: Annotated[
        str | None,
        typer.Option("--head", metavar="HASH", help="End of the chain as it was noted: must be in it still."),
    ] = None,
) -> None:
    """Go through the whole archive: the chain of entries, the lists, the content of every file.

    The last line gives the end of the chain. Note it elsewhere (a report and a backup state it too): an
    archive whose last entries were cut off can be told only by that. The exit status is 1 when something is
    wrong.
    """
    from fringewise.archive.audit import audit as audit_archive
    from fringewise.archive.audit import follows

    with at_desk() as office, progress() as shown:
        found = audit_archive(office.archive, shown)
        cut = head is not None and not follows(office.archive, head)
    for fault in found.faults:
        say(f"Wrong: {fault}")
    if cut:
        say(f"Wrong: entry {head} is not in the chain: entries were cut off, or this is another archive")
    clean = found.clean and not cut
    say(f"{found.entries} entries, {found.objects} files: {'nothing is wrong' if clean else 'see above'}.")
    say(f"End of the chain: {found.head}")
    leave(Status.ANSWERED if clean else Status.ANSWER_IS_BAD)
