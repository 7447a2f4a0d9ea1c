"""``fringewise schema``: the JSON Schema of an open format."""

from __future__ import annotations

from typing import Annotated

import typer

from fringewise.cli.shell import say


def schema(
    name: Annotated[
        str,
        typer.Argument(
            metavar="FORMAT",
            help="capture, head, findings, results, target, block, limits, verdicts, verification, workcard",
        ),
    ],
) -> None:
    """Print the JSON Schema of an open format."""
    import json

    from fringewise.core.errors import refuse
    from fringewise.files.schemas import FORMATS, schema_of

    names = [one.name for one in FORMATS]
    plain = name.removeprefix("fringewise.").partition("/")[0]
    if plain not in names:
        raise refuse("FORMAT", "", f"must be one of {', '.join(names)}", name)
    say(json.dumps(schema_of(plain), indent=2, ensure_ascii=False))
