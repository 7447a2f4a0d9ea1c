"""Settings: a variable goes before the file, the file before the default; a wrong one is named."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from command import run_command

from fringewise.core.errors import InputRefused
from fringewise.wiring import FILE_VARIABLE, SETTINGS, read_settings


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "settings.toml"


def test_defaults_hold_where_nothing_is_said(file: Path) -> None:
    file.touch()
    held = read_settings({FILE_VARIABLE: str(file)})
    assert (held.unit, held.threads, held.log_level) == ("mm", 0, "warning")
    assert {one.whence for one in held.held} == {"default"}


def test_a_variable_goes_before_the_file_and_the_file_before_the_default(file: Path) -> None:
    file.write_text('unit = "in"\nthreads = 3\n')
    held = read_settings({FILE_VARIABLE: str(file), "FRINGEWISE_THREADS": "1"})
    assert (held.unit, held.threads) == ("in", 1)
    whence = {one.setting.name: one.whence for one in held.held}
    assert whence["unit"] == str(file)
    assert whence["threads"] == "FRINGEWISE_THREADS"
    assert whence["log_level"] == "default"


def test_every_setting_has_words_and_a_default_that_it_takes() -> None:
    for setting in SETTINGS:
        assert setting.words
        setting.read(setting.default)
        assert setting.variable == f"FRINGEWISE_{setting.name.upper()}"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('unit = "ft"', "unit: must be one of mm, in (found 'ft')"),
        ("unit = 3", "unit: must be one of mm, in (found 3)"),
        ("threads = -1", "threads: must be a whole number from 0 to 256"),
        ("threads = true", "threads: must be a whole number from 0 to 256"),
        ("threads = 1.5", "threads: must be a whole number from 0 to 256"),
        ('kernel_cache = "here"', "kernel_cache: must be a whole path from the root, or off"),
        ('kernel_cache = ""', "kernel_cache: must be a folder, or off"),
        ('log_level = "loud"', "log_level: must be one of debug, info, warning, error"),
        ('colour = "red"', "colour: must be a setting: archive, kernel_cache, log_level, objects, person"),
        ("unit = ", "must be a readable TOML file: "),
    ],
)
def test_a_wrong_setting_in_the_file_is_named(file: Path, text: str, line: str) -> None:
    file.write_text(text)
    with pytest.raises(InputRefused) as refused:
        read_settings({FILE_VARIABLE: str(file)})
    assert [str(one) for one in refused.value.problems if str(one).startswith(f"{file}: {line}")]
    assert len(refused.value.problems) == 1


def test_a_wrong_variable_is_named(file: Path) -> None:
    file.touch()
    done = run_command("settings", FRINGEWISE_SETTINGS=str(file), FRINGEWISE_THREADS="many")
    assert done.status == 2
    assert done.err.startswith("FRINGEWISE_THREADS: must be a whole number from 0 to 256")
    assert done.err.count("\n") == 1


def test_a_named_file_that_is_missing_is_named(file: Path) -> None:
    with pytest.raises(InputRefused, match="the settings file that FRINGEWISE_SETTINGS names must exist"):
        read_settings({FILE_VARIABLE: str(file)})


def test_what_holds_is_printed_with_whence(file: Path) -> None:
    file.write_text('unit = "in"\n')
    done = run_command("settings", FRINGEWISE_SETTINGS=str(file), FRINGEWISE_UNITS="mm")
    assert done.status == 0
    assert f"Settings file: {file}\n" in done.out
    assert f"unit         = in    [{file}]" in done.out
    assert "threads      = 0    [default]" in done.out
    assert "Not settings, and ignored: " in done.out
    assert "FRINGEWISE_UNITS" in done.out


def test_the_kernels_folder_is_used_where_it_can_be_written(tmp_path: Path) -> None:
    said = where_kernels_go(FRINGEWISE_KERNEL_CACHE=str(tmp_path / "kernels"), FRINGEWISE_THREADS="1")
    assert said == f"{tmp_path / 'kernels'} 1 new"


def test_kernels_kept_from_before_are_found(tmp_path: Path) -> None:
    (tmp_path / "kernels" / "deep").mkdir(parents=True)
    (tmp_path / "kernels" / "deep" / "one.nbi").touch()
    assert where_kernels_go(FRINGEWISE_KERNEL_CACHE=str(tmp_path / "kernels")).endswith(" kept")


def test_a_kernels_folder_that_cannot_be_written_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    said = where_kernels_go(FRINGEWISE_KERNEL_CACHE=str(tmp_path / "file" / "kernels"))
    assert said.startswith("nowhere ")
    assert said.endswith(" not kept")


def test_the_program_works_without_a_home_that_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    nowhere = str(tmp_path / "file" / "home")
    homes = dict.fromkeys(("HOME", "USERPROFILE", "LOCALAPPDATA", "APPDATA", "XDG_CACHE_HOME"), nowhere)
    done = python(["-m", "fringewise", "settings"], homes)
    assert done.returncode == 0, done.stderr
    assert where_kernels_go(**homes).endswith(" not kept")


def where_kernels_go(**variables: str) -> str:
    script = (
        "import os\n"
        "from fringewise.wiring import prepare_kernels, read_settings\n"
        "found = prepare_kernels(read_settings())\n"
        "import numba\n"
        "print(numba.config.CACHE_DIR or 'nowhere', numba.config.NUMBA_NUM_THREADS, found)\n"
    )
    done = python(["-c", script], variables)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def python(arguments: list[str], variables: dict[str, str]) -> subprocess.CompletedProcess[str]:
    kept = {
        name: value for name, value in os.environ.items() if not name.startswith(("NUMBA_", "FRINGEWISE_"))
    }
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, check=False, env=kept | variables
    )
