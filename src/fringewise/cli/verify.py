"""``fringewise verify``: a head reads a certified block."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.shell import Status, leave, progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fringewise.equipment.history import Chart
    from fringewise.workflow.verify import Circumstances, Verified


def verify(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE", help="Folder of a capture of the block.")],
    block: Annotated[Path, typer.Option("--block", metavar="FILE", help="The block (JSON, format 7).")],
    findings: Annotated[
        Path, typer.Option("--findings", metavar="FILE", help="Its features, marked (JSON).")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Verification to write (JSON, format 10).")
    ] = None,
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who verifies.")] = "not known",
    occasion: Annotated[
        str, typer.Option("--occasion", help="fitted, after a knock, or end of work.")
    ] = "fitted",
    temperature: Annotated[
        float | None, typer.Option("--temperature", metavar="C", help="Of the block, in °C.")
    ] = None,
    history: Annotated[
        Path | None,
        typer.Option("--history", metavar="FOLDER", help="Earlier verifications, for the control chart."),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE", help="Control chart to write (PNG).")
    ] = None,
) -> None:
    """Verify a head on a certified block.

    Each feature is read through the same measuring path as any finding. The exit status is 1 unless every
    feature passes both tests.
    """
    start()
    from fringewise.files import read_capture, read_findings
    from fringewise.files.blocks import read_block, read_verifications, write_verification
    from fringewise.workflow.verify import verify as verify_head

    looked = read_capture(capture)
    with progress() as shown:
        made = verify_head(
            looked,
            read_block(block),
            read_findings(findings),
            _circumstances(capture, by, occasion, temperature),
            where=str(findings),
            progress=shown,
        )
    if out is not None:
        write_verification(made.document, out)
    for line in _lines(made):
        say(line)
    if history is not None:
        from fringewise.equipment.history import charts_of

        others = [one for one in read_verifications(history) if one.done_at != made.document.done_at]
        charts = charts_of([*others, made.document], made.document.head)
        for line in _history_lines(charts):
            say(line)
        if picture is not None:
            from fringewise.render import history_picture, write_picture

            write_picture(history_picture(charts, made.document.head), picture)
    leave(Status.ANSWERED if made.document.outcome == "passed" else Status.ANSWER_IS_BAD)


def _circumstances(capture: Path, by: str, occasion: str, temperature: float | None) -> Circumstances:
    from datetime import UTC, datetime
    from typing import get_args

    from fringewise.core.errors import refuse
    from fringewise.disk import sha256_of_file
    from fringewise.workflow.verify import Circumstances, Occasion

    known = next((one for one in get_args(Occasion) if one == occasion), None)
    if known is None:
        raise refuse("--occasion", "", f"must be one of: {', '.join(get_args(Occasion))}", occasion)
    return Circumstances(by, known, datetime.now(UTC), sha256_of_file(_head_file(capture)), temperature)


def _head_file(capture: Path) -> Path:
    """The head's file that a capture names."""
    import json

    from fringewise.disk import bytes_of, file_inside

    stated = json.loads(bytes_of(capture / "capture.json", 1 << 26))
    return file_inside(capture, str(stated["head"]))


def _lines(made: Verified) -> Iterable[str]:
    document = made.document
    for one in document.features:
        mark = "passed" if one.passed else "not passed"
        yield (
            f"{one.finding} {one.quantity:<14} {one.reading:.4f} ± {one.expanded_uncertainty:.4f} {one.unit},"
            f" error {one.error:+.4f}, E_n {one.e_n:+.2f}, permissible {one.permissible_error:g}: {mark}"
        )
    yield from made.words
    yield f"Head {document.head} on block {document.block}: {document.outcome}."


def _history_lines(charts: tuple[Chart, ...]) -> Iterable[str]:
    from fringewise.equipment.history import FALSE_ALARM_ONCE_IN, RULE_SET

    yield f"Control chart: {RULE_SET} (a false alarm once in some {FALSE_ALARM_ONCE_IN} points)."
    for chart in charts:
        for n, words in chart.signals:
            yield f"{chart.finding} {chart.quantity}: verification {n + 1} of {len(chart.errors)}: {words}"
        if chart.drift:
            yield chart.drift
