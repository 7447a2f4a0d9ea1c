"""``fringewise decide``: what the limits book requires for what was measured."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.shell import Status, leave, length_unit, say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fringewise.core.units import LengthUnit
    from fringewise.verdict.standing import HeadDates
    from fringewise.workflow.decide import Earlier, Inspected, Verdicts


def decide(
    results: Annotated[list[Path], typer.Argument(metavar="RESULTS...", help="Results of measuring (JSON).")],
    limits: Annotated[Path, typer.Option("--limits", metavar="FILE", help="The limits book.")],
    verification: Annotated[
        list[Path] | None,
        typer.Option("--verification", metavar="FILE", help="Verifications of the heads on a block."),
    ] = None,
    head: Annotated[
        list[Path] | None,
        typer.Option("--head", metavar="FILE", help="Calibrations of the heads, for their dates."),
    ] = None,
    card: Annotated[
        Path | None, typer.Option("--card", metavar="FILE", help="The work card: stages and their items.")
    ] = None,
    seen: Annotated[
        list[str] | None,
        typer.Option("--seen", metavar="STAGE=ITEMS", help="Items seen without a finding, as 1-12,15."),
    ] = None,
    leave_out: Annotated[
        list[str] | None,
        typer.Option("--leave-out", metavar="ID=REASON", help="A measurement that does not count, and why."),
    ] = None,
    earlier: Annotated[
        list[Path] | None,
        typer.Option("--earlier", metavar="RESULTS", help="Results of an earlier inspection."),
    ] = None,
    earlier_card: Annotated[
        list[Path] | None,
        typer.Option("--earlier-card", metavar="FILE", help="Its work card; one for each --earlier."),
    ] = None,
    rule: Annotated[
        str | None,
        typer.Option("--rule", help="Another decision rule: a what-if that can't be signed."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Verdicts to write (JSON).")
    ] = None,
    plans: Annotated[
        Path | None, typer.Option("--plans", metavar="FOLDER", help="Folder for pictures of blend plans.")
    ] = None,
    capture: Annotated[
        Path | None, typer.Option("--capture", metavar="FOLDER", help="With --plans: draw on its photo.")
    ] = None,
    findings: Annotated[
        Path | None, typer.Option("--findings", metavar="FILE", help="With --capture: the marks on it.")
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Say what the limits book requires for each finding, never softer than the numbers allow.

    The exit status is 1 unless every finding is within limits, every item was seen and nothing is
    provisional.
    """
    from fringewise.files.limits import read_limits, write_verdicts
    from fringewise.wiring import read_settings
    from fringewise.workflow.decide import decide as decide_on
    from fringewise.workflow.decide import rule_from_words

    shown_in = length_unit(unit, read_settings())
    book = read_limits(limits)
    what_if = None if rule is None else rule_from_words(rule)
    before = _earlier(earlier or [], earlier_card or [])
    inspected = _inspected(results, card, seen or [], head or [], verification or [], leave_out or [], before)
    made = decide_on(inspected, book, what_if)
    if out is not None:
        write_verdicts(made.document, out)
    if plans is not None:
        _draw_plans(made, plans, capture, findings, shown_in)
    for line in _lines(made, inspected, shown_in):
        say(line)
    engine = made.decided.engine
    clean = engine.outcome == "serviceable" and engine.within and not engine.provisional
    leave(Status.ANSWERED if clean else Status.ANSWER_IS_BAD)


def _inspected(
    results: Sequence[Path],
    card: Path | None,
    seen: Sequence[str],
    heads: Sequence[Path],
    verifications: Sequence[Path],
    leave_out: Sequence[str],
    earlier: tuple[Earlier, ...],
) -> Inspected:
    from fringewise.cli.words import items_of, pairs_of
    from fringewise.files.limits import read_results, read_verification, read_work_card
    from fringewise.workflow.decide import Inspected

    named = list(zip(_names(results), (read_results(one) for one in results), strict=True))
    return Inspected(
        tuple(named),
        None if card is None else read_work_card(card),
        {stage: items_of(items) for stage, items in pairs_of("--seen", seen).items()},
        tuple(_dates(one) for one in heads),
        tuple(read_verification(one) for one in verifications),
        pairs_of("--leave-out", leave_out),
        earlier,
    )


def _earlier(results: Sequence[Path], cards: Sequence[Path]) -> tuple[Earlier, ...]:
    from fringewise.core.errors import refuse
    from fringewise.files.limits import read_results, read_work_card
    from fringewise.workflow.decide import Earlier

    if len(results) != len(cards):
        found = f"{len(results)} and {len(cards)}"
        raise refuse("--earlier-card", "", "must be given once for each --earlier, in the same order", found)
    pairs = zip(results, cards, strict=True)
    return tuple(Earlier(read_results(one), read_work_card(card)) for one, card in pairs)


def _names(paths: Sequence[Path]) -> list[str]:
    """Name each file as short as it can be told from the others."""
    stems = [one.stem for one in paths]
    return [stem if stems.count(stem) == 1 else str(path) for stem, path in zip(stems, paths, strict=True)]


def _dates(path: Path) -> HeadDates:
    from fringewise.disk import sha256_of_file
    from fringewise.files import read_head
    from fringewise.verdict.standing import HeadDates

    return HeadDates.of(read_head(path), sha256_of_file(path))


def _draw_plans(
    made: Verdicts, folder: Path, capture: Path | None, findings: Path | None, unit: LengthUnit
) -> None:
    """Draw each blend plan, on the photo too where the capture and its marks are given."""
    import re

    from fringewise.cli.shell import start
    from fringewise.render.blend_plan import blend_plan_picture
    from fringewise.render.writing import write_picture

    surface, edges = None, {}
    if capture is not None and findings is not None:
        start()
        from fringewise.files import read_capture, read_findings
        from fringewise.workflow.surfaces import make_surface

        surface = make_surface(read_capture(capture))
        edges = {one.identity: one.marks.get("edge_px") for one in read_findings(findings)}
    folder.mkdir(parents=True, exist_ok=True)
    for plan in made.plans:
        edge = edges.get(plan.finding)
        page = blend_plan_picture(plan, surface=surface, edge_px=edge, unit=unit)
        write_picture(page, folder / f"blend-plan-{re.sub(r'[^0-9A-Za-z._-]+', '-', plan.finding)}.png")


def _lines(made: Verdicts, inspected: Inspected, unit: LengthUnit) -> Iterator[str]:
    from fringewise.verdict.blend_plan import plan_lines
    from fringewise.verdict.settling import settle_all
    from fringewise.verdict.statements import (
        book_words,
        ground_words,
        group_statement,
        is_cracked,
        outcome_words,
        place_words,
        rule_words,
    )
    from fringewise.verdict.words import CAUTION, CRACK_CAUTION

    decided = made.decided
    plans = {one.finding: one for one in made.plans}
    nearest = {one.serial: one.nearest_mm for one in inspected.heads if one.nearest_mm is not None}
    settled = settle_all(decided.judge, decided.damages, nearest, unit)
    for damage in decided.damages:
        yield place_words(damage)
        yield f"    {outcome_words(damage)}"
        yield from (f"    {ground_words(one, unit)}" for one in damage.grounds)
        yield from (f"    {one}" for one in damage.said)
        yield from (f"    does not stand yet: {one}" for one in damage.provisional)
        if is_cracked(damage):
            yield f"    {CRACK_CAUTION}"
        if damage.case.identity in settled:
            yield f"    {settled[damage.case.identity]}"
        if damage.case.identity in plans:
            yield from (f"    {one}" for one in plan_lines(plans[damage.case.identity]))
    yield ""
    for count in decided.counts:
        if count.state != "kept":
            yield f"Count {count.count} {count.state}: {count.words}."
    yield from (group_statement(one) for one in decided.groups)
    yield f"Decision rule: {rule_words(decided)}. ± is the expanded uncertainty."
    yield book_words(decided.judge.book)
    yield CAUTION
