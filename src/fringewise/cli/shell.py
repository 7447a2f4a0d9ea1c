"""What all commands share: words on the right stream, errors as lines, the exit status, progress, logs."""

from __future__ import annotations

import contextlib
import errno
import functools
import os
import sys
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NoReturn, ParamSpec, TypeVar

import typer

from fringewise.core.errors import FringewiseError

if TYPE_CHECKING:
    from fringewise.core.progress import Progress
    from fringewise.core.units import LengthUnit
    from fringewise.wiring import Settings

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")


class Status(IntEnum):
    """Exit status of the command."""

    ANSWERED = 0
    ANSWER_IS_BAD = 1
    REFUSED = 2
    FAULT = 3
    STOPPED = 130
    NOBODY_READS = 141


@dataclass(slots=True)
class State:
    """What the command line said before the command's name."""

    trace: bool = False


STATE: Final = State()


def say(line: str = "") -> None:
    """Print a line of the answer, on standard output."""
    typer.echo(_for_terminal(line))


def note(line: str) -> None:
    """Print a line about the work, on standard error."""
    typer.echo(_for_terminal(line), err=True)


def leave(status: Status) -> NoReturn:
    """End the command with an exit status."""
    raise typer.Exit(int(status))


def guarded(command: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
    """Let no error out of a command but as lines on standard error and an exit status."""

    @functools.wraps(command)
    def inner(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Result:
        try:
            return command(*args, **kwargs)
        except (typer.Exit, SystemExit):
            raise
        except BaseException as error:  # noqa: BLE001 - this is where every error ends
            raise typer.Exit(int(_told(error))) from None

    return inner


def run(app: Callable[[], object]) -> NoReturn:
    """Run the whole command line and end the process."""
    status: object = Status.ANSWERED
    try:
        app()
    except SystemExit as end:
        status = end.code
    except BaseException as error:  # noqa: BLE001 - likewise
        status = _told(error)
    try:
        sys.stdout.flush()
    except OSError as error:
        status = _told(error)
    sys.exit(int(status) if isinstance(status, int) else Status.ANSWERED)


def prepare_streams() -> None:
    """Let no letter that a terminal can't show end a command."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, ValueError, OSError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]


def start() -> Settings:
    """Read the settings, start the log and say where compiled kernels are kept; before heavy imports."""
    from fringewise.wiring import prepare_kernels, read_settings

    settings = read_settings()
    _start_log(settings)
    kernels = prepare_kernels(settings)
    if kernels != "kept":
        when = (
            "the first time only" if kernels == "new" else "each time: no folder to keep them can be written"
        )
        note(f"Preparing the measuring kernels takes some seconds, {when}.")
    return settings


def length_unit(asked: str | None, settings: Settings) -> LengthUnit:
    """Give the unit for printed lengths: as asked for on the command line, else as set."""
    from fringewise.core.errors import refuse

    if asked is None:
        return settings.unit
    if asked == "mm":
        return "mm"
    if asked == "in":
        return "in"
    raise refuse("--unit", "", "must be mm or in", asked)


@contextlib.contextmanager
def progress() -> Iterator[Progress]:
    """Show bars on standard error while long work goes on, where a person is there to see them."""
    if not sys.stderr.isatty():
        from fringewise.core.progress import Silent

        yield Silent()
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        yield _Shown(bars)


class _Shown:
    """A `Progress` with one bar for each name."""

    def __init__(self, bars: Any) -> None:
        self._bars = bars
        self._tasks: dict[str, Any] = {}

    def step(self, name: str, done: int, total: int) -> None:
        if name not in self._tasks:
            self._tasks[name] = self._bars.add_task(name, total=total or None)
        self._bars.update(self._tasks[name], completed=done, total=total or None)


def _for_terminal(text: str) -> str:
    """Keep what came from outside from moving the terminal's cursor or colours."""
    return "".join(c if c == "\n" or unicodedata.category(c)[0] != "C" else "?" for c in text)


def _start_log(settings: Settings) -> None:
    import logging

    level = settings.log_level.upper()
    logging.basicConfig(stream=sys.stderr, level=level, format="%(levelname)s %(name)s: %(message)s")
    logging.captureWarnings(capture=True)


def _told(error: BaseException) -> Status:
    """Tell a person of an error in the lines that it takes; give the exit status."""
    if isinstance(error, OSError) and _nobody_reads(error):
        _close_quietly()
        return Status.NOBODY_READS
    if STATE.trace:
        import traceback

        typer.echo("".join(traceback.format_exception(error)), err=True)
    if isinstance(error, FringewiseError):
        for line in str(error).splitlines() or [type(error).__name__]:
            note(line)
        return Status.REFUSED
    if isinstance(error, KeyboardInterrupt):
        note("Stopped. Nothing was left half-written.")
        return Status.STOPPED
    if isinstance(error, MemoryError):
        note("There is not enough memory for this: close other programs, or use a machine with more.")
        return Status.REFUSED
    _tell_fault(error)
    return Status.FAULT


def _tell_fault(error: BaseException) -> None:
    kept = _details_kept(error)
    where = f"details are in {kept}" if kept else "run it again with fringewise --trace for details"
    words = " ".join(str(error).split())[:200]
    note(f"This is a fault of the program, not of your input ({type(error).__name__}: {words}); {where}.")


def _details_kept(error: BaseException) -> Path | None:
    """Write down what a developer needs, in the log folder or else the temporary one; None where neither."""
    import platform
    import tempfile
    import traceback
    from datetime import UTC, datetime

    import platformdirs

    from fringewise import __version__

    now = datetime.now(UTC)
    head = f"fringewise {__version__}, Python {platform.python_version()}, {platform.platform()}, {now}\n\n"
    text = head + "".join(traceback.format_exception(error))
    folders = [platformdirs.user_log_path("fringewise", appauthor=False), Path(tempfile.gettempdir())]
    for folder in folders:
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            path = folder / f"fault-{now:%Y%m%dT%H%M%S%f}.txt"
            path.write_text(text, encoding="utf-8", errors="replace")
            return path
    return None


def _nobody_reads(error: OSError) -> bool:
    closed_on_windows = sys.platform == "win32" and error.errno == errno.EINVAL and error.filename is None
    return isinstance(error, BrokenPipeError) or error.errno == errno.EPIPE or closed_on_windows


def _close_quietly() -> None:
    """Keep the interpreter from writing to a closed pipe once more at its end."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
