"""``fringewise report``: the report of an inspection as it stands, as PDF and HTML."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fringewise.cli.desk import at_desk
from fringewise.cli.shell import length_unit, progress, say, start


def report(
    inspection: Annotated[str, typer.Argument(metavar="INSPECTION", help="Name of the inspection.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="PDF to write; INSPECTION.pdf by default.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="FILE", help="HTML file to write beside it.")
    ] = None,
    pictures: Annotated[
        Path | None,
        typer.Option(
            "--pictures", metavar="FOLDER", help="New folder for its pictures, named by what each shows."
        ),
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for the sizes.")] = None,
) -> None:
    """Set the report of an inspection.

    Until a reviewer has signed it is a draft and says so on every page; `fringewise sign-report` puts the
    signature on the PDF. It states no airworthiness: the licensed person decides.
    """
    settings = start()
    shown_in = length_unit(unit, settings)
    from fringewise.disk import whole_folder, write_bytes
    from fringewise.render.artist import ReportArtist
    from fringewise.render.report_html import report_html
    from fringewise.render.report_pdf import report_pdf
    from fringewise.workflow.reporting import make_report

    with at_desk(settings) as office, progress() as shown:
        made = make_report(office.desk, inspection, ReportArtist(), unit=shown_in, progress=shown)
    target = out or Path(f"{inspection}.pdf")
    write_bytes(target, report_pdf(made.report, made.figures, made.attached, made.issued))
    say(f"Report: {target}")
    if html is not None:
        write_bytes(html, report_html(made.report, made.figures, made.attached).encode())
        say(f"Report: {html}")
    if pictures is not None:
        with whole_folder(pictures) as folder:
            for key, name in made.names.items():
                (folder / name).write_bytes(made.figures[key])
        say(f"Pictures: {pictures}")
    say(made.report.first.sign_off)
    say(f"{made.report.first.headline}. {made.report.first.detail}")
    say(made.report.cautions[0])
