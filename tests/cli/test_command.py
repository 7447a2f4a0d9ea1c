"""The command line: exit status, words on the right stream, no error that is not a line."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from command import run_command
from document_examples import EXAMPLES
from small_captures import small_capture

import fringewise
from fringewise.cli.shell import Status
from fringewise.files import write_capture
from fringewise.files.schemas import FORMATS

HEAVY_IMPORTS = ["numpy", "cv2", "numba", "scipy", "pydantic", "rich", "matplotlib", "trimesh"]


@pytest.fixture
def look(tmp_path: Path) -> Path:
    write_capture(small_capture(), tmp_path / "look")
    return tmp_path / "look"


def test_the_version_is_printed() -> None:
    done = run_command("--version")
    assert (done.status, done.out) == (0, f"fringewise {fringewise.__version__}\n")


def test_help_lists_every_command() -> None:
    done = run_command("--help")
    assert done.status == 0
    for name in ("check", "surface", "schema", "settings"):
        assert f"  {name} " in done.out


def test_help_imports_nothing_heavy() -> None:
    script = (
        "import sys, fringewise.cli as cli\n"
        "sys.argv = ['fringewise', '--help']\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY_IMPORTS} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


@pytest.mark.heavy
def test_help_answers_within_three_tenths_of_a_second() -> None:
    script = (
        "import sys, time, fringewise.cli as cli\n"
        "sys.argv = ['fringewise', '--help']\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    print(time.process_time(), file=sys.stderr)"
    )
    runs = [
        subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        for _ in range(5)
    ]
    assert min(float(one.stderr) for one in runs) < 0.3


@pytest.mark.parametrize("name", [one.name for one in FORMATS])
def test_the_printed_schema_fits_the_example(name: str) -> None:
    done = run_command("schema", name)
    assert done.status == 0
    jsonschema.Draft202012Validator(json.loads(done.out)).validate(EXAMPLES[name])


def test_a_format_may_be_named_in_full() -> None:
    assert run_command("schema", "fringewise.head/1").out == run_command("schema", "head").out


def test_an_unknown_format_is_refused_in_one_line() -> None:
    done = run_command("schema", "hat")
    assert (done.status, done.out) == (Status.REFUSED, "")
    assert done.err.startswith("FORMAT: must be one of capture, head, findings")
    assert done.err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments", [("nonsense",), ("check",), ("check", "a", "b"), ("check", "--nonsense")]
)
def test_a_wrong_call_is_refused(arguments: tuple[str, ...]) -> None:
    done = run_command(*arguments)
    assert done.status == Status.REFUSED
    assert "Usage: " in done.err


def test_a_sound_capture_is_told_with_its_standoff(look: Path) -> None:
    done = run_command("check", str(look))
    assert done.status == 0, done.err
    assert standoff(done.out, "mm") == pytest.approx(17.0, abs=0.1)
    assert "Motion " in done.out
    assert "Not known   until when the head's calibration is valid" in done.out
    assert done.out.endswith("This capture is sound.\n")


def test_lengths_are_printed_in_the_unit_asked_for(look: Path) -> None:
    asked = run_command("check", str(look), "--unit", "in").out
    assert standoff(asked, "in") == pytest.approx(17.0 / 25.4, abs=0.004)
    assert run_command("check", str(look), FRINGEWISE_UNIT="in").out == asked
    done = run_command("check", str(look), "--unit", "ft")
    assert (done.status, done.err) == (Status.REFUSED, "--unit: must be mm or in (found ft)\n")


def test_an_expired_head_makes_a_capture_unfit(look: Path) -> None:
    head = json.loads((look / "head.json").read_text())
    (look / "head.json").write_text(json.dumps(head | {"valid_until": "2026-01-01", "probes": ["PB-9"]}))
    done = run_command("check", str(look))
    assert done.status == Status.ANSWER_IS_BAD
    assert "Not sound: the head's calibration ran out on 2026-01-01" in done.out
    assert "Not sound: the head is not calibrated with probe PB-1, only with PB-9" in done.out


def test_a_look_without_fringes_is_not_fit_for_measuring(look: Path, tmp_path: Path) -> None:
    document = json.loads((look / "capture.json").read_text())
    (look / "capture.json").write_text(json.dumps(document | {"fringe_sets": None, "head": None}))
    done = run_command("check", str(look))
    assert done.status == Status.ANSWER_IS_BAD
    assert "Keep it as evidence" in done.out
    made = run_command("surface", str(look), "--out", str(tmp_path / "a.npz"))
    assert made.status == Status.REFUSED
    assert "nothing can be measured on it" in made.err


def test_a_surface_is_written(look: Path, tmp_path: Path) -> None:
    done = run_command("surface", str(look), "--out", str(tmp_path / "a.npz"))
    assert done.status == 0, done.err
    assert (tmp_path / "a.npz").exists()
    assert standoff(done.out, "mm") == pytest.approx(17.0, abs=0.1)


def test_every_problem_is_a_line_on_standard_error(look: Path) -> None:
    (look / "frames" / "set0_0.png").unlink()
    (look / "head.json").write_text("{")
    done = run_command("check", str(look))
    assert (done.status, done.out) == (Status.REFUSED, "")
    assert len(done.err.splitlines()) == 2


def test_what_a_terminal_would_act_on_is_not_let_through(look: Path) -> None:
    head = json.loads((look / "head.json").read_text())
    (look / "head.json").write_text(json.dumps(head | {"serial": "\x1b[31mred", "probes": ["\x1b]0;x\x07"]}))
    done = run_command("check", str(look))
    assert "\x1b" not in done.out + done.err
    assert "?[31mred" in done.out


def test_a_fault_of_the_program_is_one_line(
    look: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_folder: Path) -> None:
        raise ZeroDivisionError("nothing to divide")

    monkeypatch.setattr("fringewise.files.captures.read_capture", broken)
    monkeypatch.setattr("platformdirs.user_log_path", lambda *_args, **_kwargs: tmp_path / "log")
    done = run_command("check", str(look))
    assert done.status == Status.FAULT
    assert done.err.count("\n") == 1
    assert "a fault of the program, not of your input (ZeroDivisionError: nothing to divide)" in done.err
    (kept,) = (tmp_path / "log").iterdir()
    assert str(kept) in done.err
    assert "Traceback" in kept.read_text()
    assert "Traceback" in run_command("--trace", "check", str(look)).err
    assert "Traceback" not in run_command("check", str(look)).err


def test_a_pressed_key_ends_in_one_line(look: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(_folder: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("fringewise.files.captures.read_capture", stopped)
    done = run_command("check", str(look))
    assert (done.status, done.err) == (Status.STOPPED, "Stopped. Nothing was left half-written.\n")


def test_a_reader_that_goes_away_is_not_told() -> None:
    command = [sys.executable, "-m", "fringewise", "schema", "findings"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(timeout=60) in (Status.NOBODY_READS, Status.ANSWERED)


def standoff(told: str, unit: str) -> float:
    found = re.search(rf"tand-off +([0-9.]+) {unit}\b", told)
    assert found is not None, told
    return float(found[1])
