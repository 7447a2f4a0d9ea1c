"""Whatever is done to a capture folder, it is read or refused with its problems, and nothing else."""

from __future__ import annotations

import contextlib
import copy
import json
import math
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from command import run_command
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st
from small_captures import small_capture

from fringewise.capture import Capture
from fringewise.cli.shell import Status
from fringewise.core.errors import InputRefused
from fringewise.files import read_capture, write_capture
from fringewise.files.pictures import encoded_png

Files = dict[str, bytes]
SEED: Final = 20260314
DOCUMENTS: Final = ("capture.json", "head.json")


def sound_files() -> Files:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "look"
        write_capture(small_capture(), folder)
        return {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }


SOUND: Final = sound_files()
NAMES: Final = sorted(SOUND)
FRAMES: Final = [name for name in NAMES if name.endswith(".png")]

odd_paths = st.sampled_from(
    ["../capture.json", "/dev/zero", "C:\\x.png", "frames", ".", "", "a\0b", "nul", "head.json", "x" * 5000]
)
odd_numbers = st.sampled_from(
    [math.nan, math.inf, -math.inf, 1e308, -1e308, 1e-320, 0, -1, 2**63, 10**400, 0.5, True]
)
odd_values = (
    odd_numbers
    | odd_paths
    | st.none()
    | st.text(max_size=30)
    | st.sampled_from([[], {}, [[]], [1, 2, 3], {"fx": 1}, "y" * 100_000, "fringewise.head/9", [0] * 20_000])
    | st.integers(1, 100).map(lambda depth: json.loads("[" * depth + "]" * depth))
)


def paths(value: Any, above: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [one for step, below in steps for one in ((*above, step), *paths(below, (*above, step)))]


@st.composite
def document_change(draw: st.DrawFn) -> Callable[[Files], None]:
    name = draw(st.sampled_from(DOCUMENTS))
    place = draw(st.sampled_from(paths(json.loads(SOUND[name]))))
    value = draw(st.just(...) | odd_values)

    def change(files: Files) -> None:
        try:
            document = json.loads(files[name])
            spot = document
            for step in place[:-1]:
                spot = spot[step]
            if value is ...:
                del spot[place[-1]]
            else:
                spot[place[-1]] = copy.deepcopy(value)
            files[name] = json.dumps(document).encode()
        except (KeyError, IndexError, TypeError, ValueError):
            return  # another change has taken the place away

    return change


@st.composite
def file_change(draw: st.DrawFn) -> Callable[[Files], None]:
    name = draw(st.sampled_from(NAMES))
    data = SOUND[name]
    cut = draw(st.integers(0, len(data)))
    flips = draw(st.lists(st.tuples(st.integers(0, len(data) - 1), st.integers(1, 255)), max_size=5))
    size = draw(st.tuples(st.integers(1, 80), st.integers(1, 80), st.sampled_from([1, 3, 4])))
    picture = np.zeros(size, draw(st.sampled_from([np.uint8, np.uint16])))
    spoilt = bytearray(data)
    for place, bits in flips:
        spoilt[place] ^= bits
    new = draw(
        st.sampled_from(
            [
                None,
                data[:cut],
                bytes(spoilt),
                data + data[:cut],
                encoded_png(picture[..., 0] if size[2] == 1 else picture),
                SOUND[draw(st.sampled_from(NAMES))],
            ]
        )
        | st.binary(max_size=300)
    )

    def change(files: Files) -> None:
        if new is None:
            files.pop(name, None)
        else:
            files[name] = new

    return change


changes = st.lists(document_change() | file_change(), min_size=1, max_size=3)


def write(files: Files, folder: Path) -> None:
    (folder / "frames").mkdir(parents=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)


def spoilt_files(spoiling: list[Callable[[Files], None]]) -> Files:
    files = dict(SOUND)
    for change in spoiling:
        change(files)
    return files


@contextlib.contextmanager
def spoilt_for_now(folder: Path, spoiling: list[Callable[[Files], None]]) -> Iterator[None]:
    """Spoil a sound folder and mend it afterwards: a third of the time that a folder of its own takes."""
    files = spoilt_files(spoiling)
    other = [name for name in NAMES if files.get(name) != SOUND[name]]
    for name in other:
        if name in files:
            (folder / name).write_bytes(files[name])
        else:
            (folder / name).unlink()
    try:
        yield
    finally:
        for name in other:
            (folder / name).write_bytes(SOUND[name])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("spoilt") / "look"
    write(SOUND, place)
    return place


def read_or_refused(folder: Path, spoiling: list[Callable[[Files], None]]) -> None:
    with spoilt_for_now(folder, spoiling):
        try:
            read = read_capture(folder)
        except InputRefused as error:
            refused = error
        else:
            assert isinstance(read, Capture)
            return
    assert refused.problems
    assert len(str(refused).splitlines()) <= 21


quick = settings(max_examples=120, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
long = settings(quick, max_examples=2000)


def test_the_sound_folder_is_read(tmp_path: Path) -> None:
    write(SOUND, tmp_path / "look")
    assert len(read_capture(tmp_path / "look").sets) == 2


@seed(SEED)
@quick
@given(spoiling=changes)
def test_a_spoilt_folder_is_read_or_refused(folder: Path, spoiling: list[Callable[[Files], None]]) -> None:
    read_or_refused(folder, spoiling)


@pytest.mark.heavy
@seed(SEED + 1)
@long
@given(spoiling=changes)
def test_a_spoilt_folder_is_read_or_refused_at_length(
    folder: Path, spoiling: list[Callable[[Files], None]]
) -> None:
    read_or_refused(folder, spoiling)


@seed(SEED + 2)
@settings(quick, max_examples=25)
@given(spoiling=changes)
def test_the_command_refuses_a_spoilt_folder_and_leaves_nothing(
    spoiling: list[Callable[[Files], None]],
) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "look"
        write(spoilt_files(spoiling), folder)
        done = run_command("surface", str(folder), "--out", str(Path(place) / "out.npz"))
        left = sorted(path.name for path in Path(place).iterdir())
        if done.status == Status.ANSWERED:
            assert left == ["look", "out.npz"]
            return
        assert done.status == Status.REFUSED
        assert done.err.strip()
        assert "Traceback" not in done.err
        assert left == ["look"]
