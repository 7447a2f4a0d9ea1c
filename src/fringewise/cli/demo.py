"""``fringewise demo``: an invented inspection, rendered, measured and compared with what is true of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fringewise.cli.shell import length_unit, note, progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fringewise.core.units import LengthUnit
    from fringewise.workflow.demo import DemoOutcome, DemoRow

_FOLDER: Final = "fringewise-demo"


def demo(
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help=f"New folder for it; {_FOLDER} by default, or -2, -3 …"),
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Make and measure an invented inspection.

    Virtual blades with known damage are rendered as raw frames, written as captures, read back and measured;
    a table shows each size beside the truth, and pictures show where it was taken. Nothing else is needed.
    """
    settings = start()
    shown_in = length_unit(unit, settings)
    folder = _new_folder(out)
    note("Rendering and measuring virtual blades: under a minute, longer on a slow machine.")
    from fringewise.disk import write_bytes
    from fringewise.wiring import draw_stage, folder_shelf
    from fringewise.workflow.demo import run_demo
    from fringewise.workflow.demo_books import DEMO_CARD, DEMO_LIMITS

    with progress() as shown:
        outcome = run_demo(folder_shelf(folder, shown_in), shown)
    draw_stage(outcome, folder / "pictures" / "stage.png", shown_in)
    write_bytes(folder / "limits.toml", DEMO_LIMITS.encode())
    write_bytes(folder / "card.toml", DEMO_CARD.encode())
    for line in _lines(outcome, shown_in, folder):
        say(line)


def _new_folder(out: Path | None) -> Path:
    from fringewise.core.errors import PlaceUnusable

    if out is None:
        number = 1
        while (folder := Path(_FOLDER if number == 1 else f"{_FOLDER}-{number}")).exists():
            number += 1
        return folder
    if out.exists() and not (out.is_dir() and not any(out.iterdir())):
        raise PlaceUnusable(f"{out} is there already and is not replaced; name a new folder")
    return out


def _lines(outcome: DemoOutcome, unit: LengthUnit, folder: Path) -> Iterable[str]:
    from fringewise.verdict.words import CAUTION
    from fringewise.workflow.demo import BLADES, ENGINE, STAGE, VIEWED

    yield f"Invented inspection: {ENGINE}; stage {STAGE} of {BLADES} blades, {VIEWED}."
    yield ""
    yield f"{'blade':<6}{'finding':<14}{'size':<15}{'measured':<26}{'true':<19}truth within ± U"
    for row in outcome.rows:
        yield _row(row, unit)
    within = sum(row.within for row in outcome.rows)
    yield ""
    yield f"{within} of {len(outcome.rows)} true values lie within ± U; some 95 of 100 should."
    yield "Not included: calibration (the virtual head states none; it is exact here, a real one is not)."
    yield f"Captures, marks, results, truth and pictures: {folder}"
    yield f"Invented limits and a work card to decide by: {folder / 'limits.toml'}, {folder / 'card.toml'}"
    yield CAUTION


def _row(row: DemoRow, unit: LengthUnit) -> str:
    from fringewise.core.units import value_like

    finding = f"{row.result.finding.identity} {row.result.finding.kind}"
    if row.measured is None:
        return f"{row.look.blade:<6}{finding:<14}{row.quantity:<15}not measured"
    true = value_like(row.truth, row.measured.expanded_uncertainty, row.measured.unit, unit)
    said = "yes" if row.within else "no"
    return (
        f"{row.look.blade:<6}{finding:<14}{row.quantity:<15}{row.measured.in_words(unit):<26}{true:<19}{said}"
    )
