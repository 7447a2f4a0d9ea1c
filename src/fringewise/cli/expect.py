"""``fringewise expect``: the uncertainty to expect of a size, before any capture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fringewise.cli.shell import Status, leave, length_unit, progress, say, start

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fringewise.capture import Head
    from fringewise.core.units import LengthUnit
    from fringewise.expect.expectation import Expected
    from fringewise.expect.stand_in import Light


_LEAST_STEPS: Final = 3


def expect(
    kind: Annotated[str, typer.Option("--kind", help="Kind of finding, such as dent or distance.")],
    size: Annotated[
        float,
        typer.Option("--size", metavar="MM", help="Its size: a dent's depth, a distance, an area in mm²."),
    ],
    head: Annotated[
        Path | None, typer.Option("--head", metavar="FILE", help="Head (JSON); or take it from a capture.")
    ] = None,
    capture: Annotated[
        Path | None,
        typer.Option("--capture", metavar="FOLDER", help="Take head, fringes, shifts and light from it."),
    ] = None,
    standoff: Annotated[
        str, typer.Option("--standoff", metavar="MM", help="Stand-off, or from..to, as 8..30.")
    ] = "8..30",
    fringes: Annotated[float | None, typer.Option("--fringes", help="Of the finest set (49).")] = None,
    steps: Annotated[int | None, typer.Option("--steps", help="Shifts of the finest set (4).")] = None,
    modulation: Annotated[
        float | None, typer.Option("--modulation", metavar="DN", help="Fringe amplitude, grey levels (60).")
    ] = None,
    extent: Annotated[
        float | None, typer.Option("--extent", metavar="MM", help="How wide a dent, how long a gouge is.")
    ] = None,
    on_dots: Annotated[bool, typer.Option("--on-dots", help="The marks lie on dots or corners.")] = False,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE", help="Plot to write (PNG).")
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in, for what is printed.")] = None,
) -> None:
    """Say what uncertainty to expect of a size over the stand-off.

    A stand-in of the damage is measured by the very same path as a capture. What is not given is printed with
    the value that was taken.
    """
    settings = start()
    shown_in = length_unit(unit, settings)
    from fringewise.expect.expectation import expect_over
    from fringewise.expect.scenes import EXPECTABLE

    looked, light = _head_and_light(head, capture, fringes, steps, modulation)
    standoffs = _standoffs(standoff)
    with progress() as shown:
        made = expect_over(
            looked, kind, size, standoffs, light=light, extent_mm=extent, on_dots=on_dots, progress=shown
        )
    row = EXPECTABLE[kind]
    say(f"{kind} {row.quantity} of {size:g} {row.unit}, head {looked.serial}")
    say(f"{light.fringes:g} fringes, {light.steps} shifts, modulation {light.modulation_dn:.0f} grey levels")
    for line in _table(made, shown_in):
        say(line)
    if looked.covariance is None:
        say("not included: calibration (the head states no covariance)")
    if looked.noise is None:
        say("the head states no noise: a typical camera's was taken")
    if picture is not None:
        from fringewise.render import expectation_picture, write_picture

        title = f"Expected: {kind} {row.quantity} of {size:g} {row.unit}"
        words = f"head {looked.serial}, {light.fringes:g} fringes, {light.steps} shifts, modulation"
        page = expectation_picture(made, title=title, under=f"{words} {light.modulation_dn:.0f} grey levels")
        write_picture(page, picture)
    leave(Status.ANSWERED if any(one.measured for one in made) else Status.ANSWER_IS_BAD)


def _head_and_light(
    head: Path | None,
    capture: Path | None,
    fringes: float | None,
    steps: int | None,
    modulation: float | None,
) -> tuple[Head, Light]:
    from fringewise.core.errors import refuse
    from fringewise.expect.expectation import light_of
    from fringewise.expect.stand_in import Light
    from fringewise.files import read_capture, read_head
    from fringewise.workflow.surfaces import make_surface

    light, found = Light(), None
    if capture is not None:
        surface = make_surface(read_capture(capture))
        found, light = surface.head, light_of(surface)
    if head is not None:
        found = read_head(head)
    if found is None:
        raise refuse("--head", "", "must be given, or --capture with one")
    asked = Light(fringes or light.fringes, steps or light.steps, modulation or light.modulation_dn)
    for name, value in (("--fringes", fringes), ("--modulation", modulation)):
        if value is not None and not value > 0:
            raise refuse(name, "", "must be greater than 0", value)
    if asked.steps < _LEAST_STEPS:
        raise refuse("--steps", "", f"must be {_LEAST_STEPS} or more", asked.steps)
    return found, asked


def _standoffs(text: str) -> list[float]:
    import numpy as np

    from fringewise.core.errors import refuse

    parts = text.split("..")
    try:
        ends = [float(part) for part in parts]
    except ValueError:
        ends = []
    if len(ends) not in (1, 2) or not all(0 < one < 1e5 for one in ends) or ends != sorted(ends):
        raise refuse("--standoff", "", "must be a stand-off in mm, or from..to rising, as 8..30", text)
    if len(ends) == 1 or ends[0] == ends[1]:
        return ends[:1]
    return [float(one) for one in np.linspace(ends[0], ends[1], 12)]


def _table(made: tuple[Expected, ...], unit: LengthUnit) -> Iterable[str]:
    from fringewise.cli.words import length
    from fringewise.core.measured import SOURCES

    yield f"{'stand-off':>10}  {'U (k = 2)':>12}   from"
    for one in made:
        where = f"{length(one.standoff_mm, unit):>10}"
        if one.measured is None:
            yield f"{where}  {'–':>12}   {one.reason}"
            continue
        doubt = one.measured.in_words(unit).split("±")[1].strip()
        parts = [(one.measured.part(source), source) for source in SOURCES]
        most = ", ".join(name for value, name in sorted(parts, reverse=True)[:2] if value > 0)
        yield f"{where}  {'± ' + doubt:>12}   {most}"
