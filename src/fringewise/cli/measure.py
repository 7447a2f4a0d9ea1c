"""``fringewise measure``: what a person marked, to sizes with uncertainties."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.shell import Status, leave, length_unit, note, progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fringewise.capture import Capture
    from fringewise.core.units import LengthUnit
    from fringewise.findings.finding import FindingResult
    from fringewise.surface.surface import Surface
    from fringewise.workflow.measure import Measurement


def measure(
    look: Annotated[
        Path,
        typer.Argument(metavar="CAPTURE", help="Folder of the capture, or a surface (.npz) made elsewhere."),
    ],
    findings: Annotated[Path, typer.Option("--findings", metavar="FILE", help="What was marked (JSON).")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Results to write (JSON).")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE", help="Picture of the findings to write (PNG).")
    ] = None,
    photo: Annotated[
        Path | None,
        typer.Option("--photo", metavar="FILE", help="With a surface: the photo that was marked."),
    ] = None,
    head: Annotated[
        Path | None,
        typer.Option("--head", metavar="FILE", help="With a surface: the head it was taken with."),
    ] = None,
    sigma: Annotated[
        float | None,
        typer.Option("--sigma", metavar="MM", help="With a surface: standard uncertainty of a point."),
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Measure what was marked on a capture.

    Each size comes with its expanded uncertainty. The exit status is 1 when a finding could not be measured
    for what the capture shows, 2 when its marks lie where nothing can be measured.
    """
    settings = start()
    shown_in = length_unit(unit, settings)
    from fringewise import __version__
    from fringewise.files import read_findings, write_results
    from fringewise.workflow.measure import measure as measure_look

    marked = read_findings(findings)
    with progress() as shown:
        seen = _read_look(look, photo, head, sigma)
        made = measure_look(seen, marked, where=str(findings), progress=shown)
    if out is not None:
        write_results(made.results, made.summary, f"fringewise {__version__}", out)
    if picture is not None:
        _write_picture(made, look.name, shown_in, picture)
    for line in _lines(made, shown_in):
        say(line)
    leave(_status(made.results))


def _read_look(look: Path, photo: Path | None, head: Path | None, sigma: float | None) -> Capture | Surface:
    from fringewise.core.errors import InputRefused, Problem
    from fringewise.files import read_capture, read_head, read_photo, read_surface

    if look.suffix.lower() == ".npz":
        return read_surface(
            look,
            photo=None if photo is None else read_photo(photo),
            head=None if head is None else read_head(head),
            sigma_mm=sigma,
        )
    given = {"--photo": photo, "--head": head, "--sigma": sigma}
    problems = [
        Problem(name, "", "goes with a surface (.npz) only; a capture brings its own", str(value))
        for name, value in given.items()
        if value is not None
    ]
    if problems:
        raise InputRefused(problems)
    return read_capture(look)


def _lines(made: Measurement, unit: LengthUnit) -> Iterable[str]:
    from fringewise.cli.words import length, share
    from fringewise.verdict.words import CAUTION

    for result in made.results:
        yield from result_lines(result, unit)
    standoff = made.summary.standoff_mm
    if standoff is not None:
        valid = share(made.surface.valid_fraction)
        yield f"Stand-off {length(standoff, unit)}, a surface on {valid} of the photo."
    yield "± is the expanded uncertainty (k = 2 unless the results say otherwise)."
    for words in made.summary.stands_against:
        yield f"Against it: {words}."
    yield CAUTION


def result_lines(result: FindingResult, unit: LengthUnit) -> Iterable[str]:
    """Write what came of one finding, line by line."""
    yield f"{result.finding.identity}  {result.finding.kind}"
    for quantity in result.quantities:
        yield f"    {quantity.name:<14} {quantity.in_words(unit)}"
        for part in quantity.not_included:
            yield f"    {'':<14} not included: {part}"
    if result.reason:
        yield f"    not measured: {result.reason}"
    for warning in result.warnings:
        yield f"    note: {warning}"


def _status(results: tuple[FindingResult, ...]) -> Status:
    at_fault = [one for one in results if one.marks_at_fault]
    for one in at_fault:
        note(f"{one.finding.identity}: {one.reason}")
    if at_fault:
        return Status.REFUSED
    return Status.ANSWER_IS_BAD if any(one.reason for one in results) else Status.ANSWERED


def _write_picture(made: Measurement, name: str, unit: LengthUnit, path: Path) -> None:
    """Write the page of a single finding, or the photo with all of them."""
    from fringewise.render import finding_picture, photo_picture, write_picture

    standoff = made.summary.standoff_mm
    if len(made.results) == 1:
        page = finding_picture(
            made.surface, made.results[0], capture_name=name, standoff_mm=standoff, unit=unit
        )
    else:
        page = photo_picture(
            made.surface, made.results, title="Findings", capture_name=name, standoff_mm=standoff, unit=unit
        )
    write_picture(page, path)
