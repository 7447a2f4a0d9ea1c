"""Files and folders are written whole or not at all, and nothing else is touched."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from fringewise.core.errors import InputRefused, PlaceUnusable
from fringewise.disk import bytes_of, file_inside, sha256_of_file, whole_file, whole_folder, write_bytes


def test_a_file_is_written_and_replaced(tmp_path: Path) -> None:
    write_bytes(tmp_path / "a.json", b"one")
    write_bytes(tmp_path / "a.json", b"two")
    assert (tmp_path / "a.json").read_bytes() == b"two"
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


def test_what_breaks_off_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    write_bytes(tmp_path / "a.json", b"one")
    with pytest.raises(KeyboardInterrupt):
        write_half(tmp_path / "a.json")
    assert (tmp_path / "a.json").read_bytes() == b"one"
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(PlaceUnusable, match="can't be written: no such file or directory"):
        write_bytes(tmp_path / "nowhere" / "a.json", b"one")


def test_a_folder_or_device_is_never_replaced_by_a_file(tmp_path: Path) -> None:
    with pytest.raises(PlaceUnusable, match="not an ordinary file"):
        write_bytes(tmp_path, b"one")
    if Path(os.devnull).exists():
        with pytest.raises(PlaceUnusable, match="not an ordinary file"):
            write_bytes(Path(os.devnull), b"one")


def test_a_folder_appears_when_it_is_whole(tmp_path: Path) -> None:
    with whole_folder(tmp_path / "deep" / "look") as part:
        (part / "a").write_bytes(b"one")
        assert not (tmp_path / "deep" / "look").exists()
    assert (tmp_path / "deep" / "look" / "a").read_bytes() == b"one"
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["look"]


def test_a_folder_that_breaks_off_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError):
        fill_half(tmp_path / "look")
    assert list(tmp_path.iterdir()) == []


def test_an_empty_folder_may_be_filled_and_a_full_one_not(tmp_path: Path) -> None:
    (tmp_path / "look").mkdir()
    with whole_folder(tmp_path / "look") as part:
        (part / "a").write_bytes(b"one")
    with pytest.raises(PlaceUnusable, match="there already"), whole_folder(tmp_path / "look"):
        pytest.fail("a full folder was given out")


def test_only_files_inside_are_found(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a").write_bytes(b"one")
    (tmp_path / "b").write_bytes(b"two")
    assert file_inside(tmp_path / "in", "a").read_bytes() == b"one"
    for path, rule in (("../b", "inside"), ("c", "exist"), (".", "ordinary"), ("a/b", "exist")):
        with pytest.raises(ValueError, match=rule):
            file_inside(tmp_path / "in", path)


def test_a_file_above_the_limit_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(bytes(2**20 + 1))
    with pytest.raises(InputRefused, match=r"must not be larger than 1 MiB \(found 1.0 MiB\)"):
        bytes_of(tmp_path / "a", 2**20)


def test_a_hash_is_that_of_the_standard(tmp_path: Path) -> None:
    # FIPS 180-2, appendix B.1
    (tmp_path / "a").write_bytes(b"abc")
    assert (
        sha256_of_file(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def write_half(path: Path) -> None:
    with whole_file(path) as stream:
        stream.write(b"half")
        raise KeyboardInterrupt


def fill_half(path: Path) -> None:
    with whole_folder(path) as part:
        (part / "a").write_bytes(b"one")
        raise RuntimeError
