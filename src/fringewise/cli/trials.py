"""``fringewise trials``: rendered looks with known truth, measured under every condition."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fringewise.cli.shell import Status, leave, note, progress, say, start


def trials(
    looks: Annotated[
        int, typer.Option("--looks", min=1, help="Random looks, each under every condition.")
    ] = 12,
    seed: Annotated[
        int | None, typer.Option("--seed", help="A fresh one where absent; it is printed.")
    ] = None,
    condition: Annotated[
        list[str] | None, typer.Option("--condition", metavar="NAME", help="Only this condition.")
    ] = None,
    rays: Annotated[int, typer.Option("--rays", help="Rays a pixel; odd.")] = 3,
    draws: Annotated[
        int, typer.Option("--draws", min=0, help="Of the Monte Carlo route; 0 for none.")
    ] = 10_000,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Table to write (Markdown).")
    ] = None,
    data: Annotated[Path | None, typer.Option("--data", metavar="FILE", help="The same as JSON.")] = None,
) -> None:
    """Try on rendered looks whether stated uncertainties are honest, and make the table.

    Each look is measured with nothing wrong, with heads that are off by a draw from their own covariance, and
    under troubles at fixed levels. On rendered captures; prove yours on your block.
    """
    start()
    import os
    import platform
    import secrets

    from fringewise import __version__
    from fringewise.disk import write_bytes
    from fringewise.workflow.conditions import CONDITIONS, run_conditions
    from fringewise.workflow.trial_table import TrialRun, table_document, table_lines, trial_rows

    chosen = [one for one in CONDITIONS if not condition or one.name in condition]
    unknown = set(condition or ()) - {one.name for one in CONDITIONS}
    if unknown:
        note(f"There is no condition {', '.join(sorted(unknown))}.")
        note(f"Choose from: {', '.join(one.name for one in CONDITIONS)}")
        leave(Status.REFUSED)
    used = secrets.randbelow(1 << 31) if seed is None else seed
    system = f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores"
    machine = f"{system}, Python {platform.python_version()}"
    run = TrialRun(used, looks, rays, draws, machine, f"fringewise {__version__}")
    with progress() as shown:
        cases = run_conditions(looks, used, chosen, rays_per_pixel=rays, draws=draws, progress=shown)
    rows = trial_rows(cases)
    lines = list(table_lines(rows, chosen, run))
    if out is not None:
        write_bytes(out, ("\n".join(lines) + "\n").encode())
    if data is not None:
        import json

        write_bytes(data, (json.dumps(table_document(rows, run), indent=1) + "\n").encode())
    for line in lines:
        say(line)
