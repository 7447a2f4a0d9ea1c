"""``fringewise study``: repeatability and reproducibility from a table of readings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.shell import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fringewise.study import StudyResult


def study(
    table: Annotated[
        Path, typer.Argument(metavar="TABLE.csv", help="Columns feature,person,repeat,value,unit.")
    ],
) -> None:
    """Say how much of what several people measured comes from measuring.

    Every person measures every feature equally often, each time from a new look and new marks. Two methods
    are in use and give different numbers for the same table, so that both are given and named.
    """
    from fringewise.files import read_study
    from fringewise.study import by_anova, by_average_range, placing_px

    readings = read_study(table)
    shape = f"{len(readings.features)} features, {len(readings.people)} people, {readings.repeats} repeats"
    say(f"{shape}, in {readings.unit}")
    found = by_average_range(readings), by_anova(readings)
    for one in found:
        say()
        for line in _lines(one):
            say(line)
    if readings.unit == "px":
        say()
        say(
            f'Placing of marks: "placing_px": {placing_px(found[1]):.2f} (ANOVA), for findings instead of 0.7'
        )


def _lines(found: StudyResult) -> Iterator[str]:
    yield f"{found.method}:"
    for words, part in (
        ("repeatability (EV)", found.repeatability),
        ("reproducibility (AV)", found.reproducibility),
        ("both (GRR)", found.measuring),
        ("features (PV)", found.features),
        ("total (TV)", found.total),
    ):
        yield f"  {words:22s} {part:10.5f} {found.unit}  {found.per_cent(part):6.2f} % of total"
    yield f"  %GRR by {found.method}: {found.grr_per_cent:.2f} %, {found.categories} categories told apart"
    for note in found.notes:
        yield f"  {note}"
