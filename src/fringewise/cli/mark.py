"""``fringewise mark``: what was marked on a capture, into an inspection, measured and decided."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.add import take_path
from fringewise.cli.desk import at_desk, look_named
from fringewise.cli.shell import Status, leave, length_unit, progress, say, start

if TYPE_CHECKING:
    from fringewise.workflow.keeping import Desk


def mark(
    inspection: Annotated[str, typer.Argument(metavar="INSPECTION", help="Its name.")],
    capture: Annotated[
        str, typer.Argument(metavar="CAPTURE", help="Its hash, or its folder: it is then taken in first.")
    ],
    findings: Annotated[Path, typer.Option("--findings", metavar="FILE", help="What was marked (JSON).")],
    look: Annotated[
        str | None,
        typer.Option("--look", metavar="LOOK", help='As "STAGE / ITEM / LOOK"; needed the first time.'),
    ] = None,
    reason: Annotated[
        str, typer.Option("--reason", metavar="WORDS", help="Why, where marks on record are corrected.")
    ] = "",
    renumber: Annotated[
        bool, typer.Option("--renumber", help="Give findings whose id is taken the next free one.")
    ] = False,
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Write down what was marked on a capture, measure it, write down the results.

    The file holds all findings on this capture. Marked again, it is a correction: the old marks and results
    stay on record. The exit status is 1 when a finding could not be measured.
    """
    settings = start()
    shown_in = length_unit(unit, settings)
    from fringewise.cli.measure import result_lines
    from fringewise.files import read_findings
    from fringewise.verdict.words import CAUTION
    from fringewise.workflow.inspecting import mark_and_measure, renumbered

    marked = read_findings(findings)
    with at_desk(settings) as office:
        about = office.desk.inspection(inspection)
        where = look_named(about, look) if look else None
        sha256 = _taken(office.desk, capture)
        if renumber:
            marked = tuple(renumbered(about, sha256, marked))
        with progress() as shown:
            made = mark_and_measure(office.desk, about, sha256, marked, where, reason=reason, progress=shown)
    for one in made.outcomes:
        for line in result_lines(one, shown_in):
            say(line)
    say(CAUTION)
    bad = any(one.reason for one in made.outcomes)
    leave(Status.ANSWER_IS_BAD if bad else Status.ANSWERED)


def _taken(desk: Desk, capture: str) -> str:
    """Give the hash of a capture that is here, or that is taken in now."""
    from fringewise.core.errors import refuse
    from fringewise.workflow.intake import find_taken

    path = Path(capture)
    if not path.exists():
        return find_taken(desk, capture).sha256
    taken, _ = take_path(desk, path)
    if len(taken) != 1:
        raise refuse("CAPTURE", "", f"must hold one capture (it holds {len(taken)})", capture)
    return taken[0].sha256
