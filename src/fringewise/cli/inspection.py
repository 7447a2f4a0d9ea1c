"""``fringewise inspection``: begin one, list them, see what is left, say how a look stands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fringewise.cli.add import take_book
from fringewise.cli.desk import at_desk, looks_named
from fringewise.cli.shell import Status, leave, length_unit, progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fringewise.record.bodies import LookState
    from fringewise.record.inspection import Inspection

_MOST_LINES: Final = 40


def new(
    card: Annotated[Path, typer.Argument(metavar="CARD", help="The work card (TOML, format 11).")],
    name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Its name; the card's order by default.")
    ] = None,
    limits: Annotated[
        Path | None,
        typer.Option("--limits", metavar="FILE", help="The limits book; the card's own by default."),
    ] = None,
    invented: Annotated[
        bool, typer.Option("--invented", help="It is made up: every page of its report says so.")
    ] = False,
) -> None:
    """Begin an inspection from a work card."""
    from fringewise.files.workcards import read_workcard
    from fringewise.workflow.keeping import begin_inspection

    stated = read_workcard(card)
    book = limits or (card.parent / stated["limits"] if stated.get("limits") else None)
    with at_desk() as office:
        sha256 = take_book(office.desk, book) if book is not None else None
        made = begin_inspection(
            office.desk, name or stated["order"], stated, limits_sha256=sha256, invented=invented
        )
        say(f"Inspection {made.identity} is begun: {len(made.required)} looks are to do.")


def list_(
    engine: Annotated[str | None, typer.Option("--engine", metavar="SERIAL", help="Of this engine.")] = None,
    state: Annotated[
        str | None, typer.Option("--state", metavar="STATE", help="open, submitted or signed.")
    ] = None,
    outcome: Annotated[
        str | None, typer.Option("--outcome", metavar="OUTCOME", help="Such as reject or serviceable.")
    ] = None,
    most: Annotated[int, typer.Option("--most", min=1, max=10_000, help="How many at most.")] = 50,
) -> None:
    """List inspections, the last changed first."""
    from fringewise.archive.archive import Page

    asked = {"engine": engine, "state": state, "outcome": outcome}
    wanted = {column: value for column, value in asked.items() if value is not None}
    with at_desk() as office:
        lines = office.archive.inspections(Page(most), **wanted)
        doubtful = {
            one.identity
            for one in lines
            if one.outcome == "serviceable" and not office.desk.inspection(one.identity).outcome_stands
        }
    if not lines:
        say("There are none.")
        return
    say(f"{'name':<16} {'engine':<16} {'state':<10} {'left':>9} {'findings':>9}  {'outcome':<14} changed")
    for one in lines:
        left = f"{one.looks_left}/{one.looks}"
        invented = "  (invented)" if one.invented else ""
        outcome_words = one.outcome.replace("_", " ") or "-"
        if one.identity in doubtful:
            outcome_words = f"provisional: {outcome_words}"
        say(
            f"{one.identity:<16} {one.engine:<16} {one.state:<10} {left:>9} {one.findings:>9}  "
            f"{outcome_words:<14} {one.changed_at[:16]}{invented}"
        )


def show(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Its name.")],
    everything: Annotated[bool, typer.Option("--all", help="Every look and finding.")] = False,
    history: Annotated[bool, typer.Option("--history", help="Every entry with author and time.")] = False,
) -> None:
    """Show an inspection: its engine, how far it is, what is left, what was found."""
    with at_desk() as office:
        inspection = office.desk.inspection(name)
    lines = list(_history(inspection) if history else _about(inspection))
    most = len(lines) if everything or history else _MOST_LINES
    for line in lines[:most]:
        say(line)
    if len(lines) > most:
        say(f"… and {len(lines) - most} more lines: --all shows them")


def look(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The inspection.")],
    looks: Annotated[
        str, typer.Argument(metavar="LOOK", help='As "STAGE / 7 / LOOK"; "STAGE / 1-6 / *" names several.')
    ],
    nothing_found: Annotated[bool, typer.Option("--nothing-found", help="Done, nothing found.")] = False,
    not_seen: Annotated[
        str | None, typer.Option("--not-seen", metavar="REASON", help="Could not be seen, and why.")
    ] = None,
    to_do: Annotated[bool, typer.Option("--to-do", help="To do again.")] = False,
) -> None:
    """Say how looks stand."""
    from fringewise.core.errors import refuse
    from fringewise.workflow.keeping import look_draft

    if sum([nothing_found, not_seen is not None, to_do]) != 1:
        raise refuse("LOOK", "", "say one of --nothing-found, --not-seen REASON, --to-do")
    state: LookState = "done, nothing found" if nothing_found else "to do" if to_do else "could not be seen"
    with at_desk() as office:
        inspection = office.desk.inspection(name)
        found = looks_named(inspection, looks)
        office.desk.write(*(look_draft(inspection, one, state, reason=not_seen or "") for one in found))
        left = len(office.desk.inspection(name).left)
    say(f"{len(found)} looks: {state}. {left} are left to do.")


def measure(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The inspection.")],
    again: Annotated[
        str, typer.Option("--again", metavar="REASON", help="All marks anew, and why; old results stay.")
    ] = "",
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Measure marks that have no results yet, as after a break; or all of them anew with this program."""
    settings = start()
    shown_in = length_unit(unit, settings)
    from fringewise.cli.measure import result_lines
    from fringewise.verdict.words import CAUTION
    from fringewise.workflow.inspecting import measure_waiting

    with at_desk(settings) as office, progress() as shown:
        made = measure_waiting(office.desk, office.desk.inspection(name), again, shown)
    for one in made:
        for result in one.outcomes:
            for line in result_lines(result, shown_in):
                say(line)
    say(CAUTION if made else "No marks are waiting.")


def decide(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The inspection.")],
    leave_out: Annotated[
        list[str] | None,
        typer.Option("--leave-out", metavar="ID=REASON", help="A measurement that does not count, and why."),
    ] = None,
) -> None:
    """Decide on all findings by the inspection's limits book, and write the verdicts down.

    The exit status is 1 when the engine is not serviceable without more.
    """
    from fringewise.cli.words import pairs_of
    from fringewise.verdict.statements import group_statement, outcome_words, place_words
    from fringewise.workflow.judging import decide_inspection

    with at_desk() as office:
        about = office.desk.inspection(name)
        _, made = decide_inspection(office.desk, about, pairs_of("--leave-out", leave_out or []))
    for damage in made.decided.damages:
        say(f"{place_words(damage)}: {outcome_words(damage)}")
        for reason in damage.provisional:
            say(f"    does not stand yet: {reason}")
    outcome = made.document["outcome"]
    stands = not made.decided.engine.provisional
    say(group_statement(made.decided.engine))
    clean = outcome == "serviceable" and stands
    leave(Status.ANSWERED if clean else Status.ANSWER_IS_BAD)


def _about(inspection: Inspection) -> Iterable[str]:
    from fringewise.workflow.signing import all_disagreements

    card = inspection.about.card
    yield f"Inspection  {inspection.identity}, {inspection.state}"
    if inspection.about.invented:
        yield "            invented: works, engine and damage are made up"
    yield f"Engine      {card.engine.serial}, {card.engine.type}"
    if card.reason or card.procedure:
        yield f"Why         {'; '.join(one for one in (card.reason, card.procedure) if one)}"
    for doubt in inspection.doubts.values():
        yield f"DOUBT       {doubt.words}"
        yield from (f"              {one}" for one in doubt.touches or ())
    yield from (f"DISAGREE    {one.words}" for one in all_disagreements(inspection))
    outcome = inspection.outcome.replace("_", " ")
    if outcome == "serviceable":
        outcome = (
            "all findings within limits" if inspection.all_findings else "nothing found on what was seen"
        )
    provisional = "provisional: " if outcome and not inspection.outcome_stands else ""
    yield f"Outcome     {provisional}{outcome or 'not decided by a limits book'}"
    done = len(inspection.required) - len(inspection.unseen)
    yield f"Looks       {done} of {len(inspection.required)} done"
    for one in inspection.unseen:
        said = inspection.looks.get(one.subject)
        why = f": {said.reason}" if said is not None and said.reason else ""
        yield f"  {inspection.state_of(one):<18} {one.subject}{why}"
    yield f"Findings    {len(inspection.all_findings)}"
    for found in inspection.all_findings:
        said_of = found.outcome.replace("_", " ") or found.status.replace("_", " ") or "not measured yet"
        said_of = f"provisional: {said_of}" if found.identity in inspection.provisional else said_of
        yield f"  {found.identity:<8} {found.kind.replace('_', ' '):<14} {found.look:<40} {said_of}"


def _history(inspection: Inspection) -> Iterable[str]:
    for entry in inspection.entries:
        reason = f" ({entry.reason})" if entry.reason else ""
        yield (
            f"{entry.sequence:>6}  {entry.at:%Y-%m-%d %H:%M:%S}  {entry.author:<16} {entry.kind} "
            f"{entry.subject[:60]} version {entry.version}{reason}  {entry.sha256[:12]}"
        )


list_.__name__ = "list"

ALL: Final[tuple[Callable[..., Any], ...]] = (new, list_, show, look, measure, decide)
"""The commands below ``fringewise inspection``."""
