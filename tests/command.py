"""The command run inside the test's process: exit status, standard output and standard error."""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass

import pytest

from fringewise.cli import app
from fringewise.cli.shell import run


@dataclass(frozen=True, slots=True)
class Done:
    """What a command gave."""

    status: int
    out: str
    err: str


def run_command(*arguments: str, **variables: str) -> Done:
    """Run ``fringewise`` with arguments and variables; kernels and the log stay as the tests have them."""
    out, err = io.StringIO(), io.StringIO()
    status = 0
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.argv", ["fringewise", *arguments])
        patch.setattr("fringewise.wiring.prepare_kernels", lambda _settings: "kept")
        patch.setattr("fringewise.cli.shell._start_log", lambda _settings: None)
        for name, value in {"FRINGEWISE_SETTINGS": "", **variables}.items():
            patch.setenv(name, value)
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                run(app)
        except SystemExit as end:
            status = int(str(end.code))
    return Done(status, out.getvalue(), err.getvalue())
