"""``fringewise recheck``: every stored number computed again from the frames, and compared."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.desk import at_desk
from fringewise.cli.shell import Status, leave, progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from fringewise.workflow.rechecking import Rechecked


def recheck(
    inspections: Annotated[
        list[str] | None, typer.Argument(metavar="[INSPECTION…]", help="Their names.")
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="Every inspection of the archive.")] = False,
    processes: Annotated[
        int, typer.Option("--processes", min=0, max=64, help="At once; 0: as many as the machine has cores.")
    ] = 0,
) -> None:
    """Compute every stored number again from the frames with this program, and compare.

    All versions of results count, and second readings. A value agrees within 1 % of its standard
    uncertainty, an uncertainty within 1 % of itself. What came of it is written down with the inspection. The
    exit status is 1 when something differs.
    """
    settings = start()
    from fringewise.core.errors import refuse
    from fringewise.wiring import recheck_in_processes
    from fringewise.workflow.rechecking import recheck as compute_again

    if everything == bool(inspections):
        raise refuse("INSPECTION", "", "name inspections, or say --all")
    with at_desk(settings) as office, progress() as shown:
        names = list(office.archive.inspection_names() if everything else inspections or ())
        for name in names:
            office.desk.inspection(name)  # all must be there before any work is done
        found = compute_again(office.desk, names, recheck_in_processes(settings, processes), shown)
        for one in found:
            for line in _lines(one, office.desk.versions):
                say(line)
    leave(Status.ANSWER_IS_BAD if any(one.differ for one in found) else Status.ANSWERED)


def _lines(one: Rechecked, now: Mapping[str, str]) -> Iterator[str]:
    from fringewise.workflow.rechecking import changed_versions

    said = "all agree" if not one.differ else f"{len(one.differ)} differ or could not be computed"
    yield f"{one.inspection}: {one.compared} numbers compared, {said}."
    yield from (f"  {line}" for line in one.differ)
    changed = changed_versions(one.versions_then, now)
    if one.differ and not changed:
        yield "  The versions of program and libraries are the same as then: look for the cause elsewhere."
    yield from (f"  {line}" for line in changed)
