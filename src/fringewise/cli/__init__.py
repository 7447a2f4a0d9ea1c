"""The command ``fringewise``: parse, call, show. One file a command; what a command needs is imported late.

A new command is a function in a file of its own, ``cli/<command>.py``, and a line in `COMMANDS`. Its file
imports at the top only the standard library, typer and `fringewise.cli.shell`; everything else is imported
inside the function, so that ``--help`` stays quick.

Exit status: 0 the question was answered, 1 it was answered and the answer is bad, 2 the input was refused,
3 a fault of the program, 130 stopped by a key.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Final

import typer

from fringewise.cli import (
    add,
    audit,
    backup,
    calibrate,
    check,
    decide,
    demo,
    expect,
    inspection,
    life,
    limits,
    mark,
    measure,
    noise,
    person,
    recheck,
    report,
    schema,
    settings,
    shell,
    sign,
    study,
    surface,
    trials,
    verify,
    watch,
    workbench,
)

COMMANDS: Final[tuple[Callable[..., Any], ...]] = (
    demo.demo,
    workbench.workbench,
    check.check,
    surface.surface,
    measure.measure,
    decide.decide,
    limits.limits,
    life.life,
    calibrate.calibrate,
    noise.noise,
    verify.verify,
    trials.trials,
    study.study,
    expect.expect,
    add.add,
    watch.watch,
    mark.mark,
    sign.read_again,
    sign.submit,
    sign.sign,
    report.report,
    sign.sign_report,
    sign.check_report,
    sign.doubt,
    recheck.recheck,
    audit.audit,
    backup.backup,
    backup.restore,
    schema.schema,
    settings.settings,
)
"""Every command in the order of the help; a function's name and docstring are the command's."""

GROUPS: Final[tuple[tuple[str, str, tuple[Callable[..., Any], ...]], ...]] = (
    (
        "inspection",
        "Begin an inspection, list them, see what is left, say how a look stands.",
        inspection.ALL,
    ),
    ("person", "Who may do what, and their keys.", person.ALL),
)
"""Commands below a common name: the name, its help, and the commands."""

_LOOK: Final[dict[str, Any]] = {
    "add_completion": False,
    "no_args_is_help": True,
    "rich_markup_mode": None,
    "pretty_exceptions_enable": False,
    "context_settings": {"help_option_names": ["-h", "--help"]},
}

app = typer.Typer(name="fringewise", **_LOOK)


def _version(wanted: bool) -> None:
    if wanted:
        from fringewise import __version__

        shell.say(f"fringewise {__version__}")
        raise typer.Exit


@app.callback()
def fringewise(
    trace: Annotated[bool, typer.Option("--trace", help="Show where in the program an error arose.")] = False,
    version: Annotated[  # noqa: ARG001 - the callback answers it
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """From raw phase-shifted frames to sizes of damage with honest uncertainties.

    Decision support: the manual in its revision in force, the operator's procedure and the licensed person
    decide.
    """
    shell.STATE.trace = trace


for command in COMMANDS:
    app.command()(shell.guarded(command))

for name, words, commands in GROUPS:
    below = typer.Typer(name=name, help=words, **_LOOK)
    for command in commands:
        below.command()(shell.guarded(command))
    app.add_typer(below)


def main() -> None:
    """Run the command line of this process; the exit status is as the module says."""
    shell.prepare_streams()
    shell.run(app)
