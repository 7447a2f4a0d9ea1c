"""``fringewise life``: a Paris-law life as a study, apart from every verdict."""

from __future__ import annotations

from typing import Annotated

import typer

from fringewise.cli.shell import say


def life(
    part: Annotated[str, typer.Option("--part", help="The static part, by its name.")],
    coefficient: Annotated[float, typer.Option("--coefficient", help="C, in m per cycle and (MPa √m)^m.")],
    exponent: Annotated[float, typer.Option("--exponent", help="m of the Paris law.")],
    start: Annotated[float, typer.Option("--from", metavar="MM", help="Crack length at the start.")],
    end: Annotated[float, typer.Option("--to", metavar="MM", help="Crack length at the end.")],
    stress: Annotated[float, typer.Option("--stress-range", metavar="MPA", help="Range of the stress.")],
    source: Annotated[str, typer.Option("--source", help="Where the constants are from.")],
    static: Annotated[bool, typer.Option("--static", help="Say that the part does not turn.")] = False,
    geometry: Annotated[float, typer.Option("--geometry", help="Y.")] = 1.0,
) -> None:
    """Give the cycles that a crack in a static part takes by the Paris law: a study, and no verdict.

    It is refused for parts that turn: a vibration crack can run in one flight.
    """
    from fringewise.core.errors import refuse
    from fringewise.verdict.paris import CAUTION, ParisLaw, life_of_part
    from fringewise.verdict.words import CAUTION as SUPPORT

    try:
        law = ParisLaw(coefficient, exponent, geometry, source)
        cycles = life_of_part(part, "yes" if static else "not known", law, start / 1e3, end / 1e3, stress)
    except ValueError as error:
        raise refuse("life", "", str(error)) from error
    say(f"{part}: {cycles:,.0f} cycles from {start:g} to {end:g} mm at a stress range of {stress:g} MPa.")
    say(f"Paris law with C = {coefficient:g}, m = {exponent:g}, Y = {geometry:g}; constants from: {source}.")
    say(CAUTION)
    say(SUPPORT)
