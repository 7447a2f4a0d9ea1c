"""``fringewise noise``: repeats of one capture to the head's noise and ripple."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fringewise.cli.shell import progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fringewise.workflow.noise import NoiseFound


def noise(
    captures: Annotated[
        list[Path], typer.Argument(metavar="CAPTURE…", help="Two or more captures of one still scene.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Head to write (JSON).")],
    head: Annotated[
        Path | None,
        typer.Option("--head", metavar="FILE", help="Head to fill; that of the captures where absent."),
    ] = None,
    dark: Annotated[
        list[Path] | None, typer.Option("--dark", metavar="CAPTURE", help="A capture with the light off.")
    ] = None,
) -> None:
    """Find a head's noise from repeated captures of a still scene.

    Read-out noise and gain from how repeats differ (photon transfer), and the phase's ripple that repeats
    with the fringe. A light, smooth, still surface that fills the picture serves best.
    """
    start()
    from fringewise.files import read_capture, read_head, write_head
    from fringewise.workflow.noise import head_noise

    looks = [read_capture(folder) for folder in captures]
    unlit = [read_capture(folder) for folder in dark or []]
    with progress() as shown:
        made = head_noise(looks, dark=unlit, head=None if head is None else read_head(head), progress=shown)
    write_head(made.head, out)
    for line in _lines(made, out):
        say(line)


def _lines(made: NoiseFound, out: Path) -> Iterable[str]:
    found = made.transfer
    noise = found.noise
    yield f"read-out noise  {noise.read_dn:.3f} ± {2 * found.read_sigma:.3f} grey levels, rounding included"
    gain = f"{noise.gain_dn_per_electron:.4f} ± {2 * found.gain_sigma:.4f}"
    yield f"gain            {gain} grey levels an electron"
    yield f"dark level      {noise.dark_dn:.2f} grey levels ({found.dark_from})"
    if made.ripple is None:
        yield "ripple          not told: it takes two sets of fringes"
    else:
        ripple = made.ripple
        yield f"ripple          {ripple.rms_rad:.4f} rad RMS, {ripple.peak_rad:.4f} rad at most"
    yield f"{out}: head {made.head.serial}; ± is the expanded uncertainty (k = 2)."
