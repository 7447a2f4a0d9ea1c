"""Capture folders: what is written is read again, and everything wrong with one is named at once."""

from __future__ import annotations

import hashlib
import json
import os
import struct
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from small_captures import HEIGHT, WIDTH, small_capture

from fringewise.core.errors import FormatUnknown, InputRefused, PlaceUnusable
from fringewise.files import read_capture, read_head, write_capture
from fringewise.files.pictures import encoded_png

Change = Callable[[Path], object]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_capture(small_capture(), tmp_path / "look")
    return tmp_path / "look"


def test_a_capture_survives_writing_and_reading(folder: Path) -> None:
    made, read = small_capture(), read_capture(folder)
    assert read.captured_at == made.captured_at
    assert (read.probe, read.note, read.bits) == ("PB-1", "a plane", 8)
    assert read.photo is not None
    assert made.photo is not None
    assert np.array_equal(read.photo, made.photo)
    for one, other in zip(read.sets, made.sets, strict=True):
        assert one.fringe_set == other.fringe_set
        assert np.array_equal(one.frames, other.frames)


def test_the_content_hash_is_that_of_the_format(folder: Path) -> None:
    named = ["capture.json", "head.json", "frames/photo.png"]
    named += [f"frames/set{n}_{k}.png" for n in range(2) for k in range(4)]
    lines = sorted(f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name}\n" for name in named)
    assert read_capture(folder).sha256 == hashlib.sha256("".join(lines).encode()).hexdigest()


def test_a_file_that_is_not_named_does_not_count(folder: Path) -> None:
    before = read_capture(folder).sha256
    (folder / "notes.txt").write_text("not named")
    assert read_capture(folder).sha256 == before


def test_unknown_fields_of_a_capture_survive(folder: Path, tmp_path: Path) -> None:
    change_json(folder, lambda capture: capture["fringe_sets"][1].update(lamp="L2"))
    change_json(folder, lambda capture: capture.update(bench={"row": 4}))
    write_capture(read_capture(folder), tmp_path / "again")
    written = json.loads((tmp_path / "again" / "capture.json").read_text())
    assert written["bench"] == {"row": 4}
    assert written["fringe_sets"][1]["lamp"] == "L2"


@pytest.mark.parametrize("suffix", [".png", ".tiff"])
@pytest.mark.parametrize("bits", [8, 12, 16])
def test_frames_of_any_depth_are_read(folder: Path, suffix: str, bits: int) -> None:
    rng = np.random.default_rng(5)
    levels = {}
    for path in sorted((folder / "frames").glob("set*.png")):
        levels_dn = rng.integers(0, 2**bits, (HEIGHT, WIDTH))
        frame = levels_dn.astype(np.uint8) if bits == 8 else levels_dn.astype(np.uint16)
        path.unlink()
        path.with_suffix(suffix).write_bytes(cv2.imencode(suffix, frame)[1].tobytes())
        levels[path.stem] = frame
    change_json(folder, lambda capture: rename_frames(capture, suffix))
    change_head(folder, lambda head: head["noise"].update(bits=bits))
    capture = read_capture(folder)
    assert capture.bits == bits
    for n, one in enumerate(capture.sets):
        for k, frame in enumerate(one.frames):
            assert np.array_equal(frame, levels[f"set{n}_{k}"])


@pytest.mark.parametrize("packing", [1, 5, 8, 32773])
def test_tiff_is_read_however_it_is_packed(folder: Path, packing: int) -> None:
    frame = np.arange(HEIGHT * WIDTH, dtype=np.uint16).reshape(HEIGHT, WIDTH) % 251
    data = cv2.imencode(".tiff", np.asarray(frame, np.uint8), [cv2.IMWRITE_TIFF_COMPRESSION, packing])[1]
    (folder / "frames" / "set0_0.png").write_bytes(data.tobytes())
    assert np.array_equal(read_capture(folder).sets[0].frames[0], frame)


def test_a_look_without_fringes_is_evidence(folder: Path) -> None:
    change_json(folder, lambda capture: [capture.pop(name) for name in ("fringe_sets", "head")])
    capture = read_capture(folder)
    assert capture.sets == ()
    assert capture.head is None
    assert capture.photo is not None


def test_a_video_is_named_and_hashed(folder: Path) -> None:
    before = read_capture(folder).sha256
    (folder / "look.mkv").write_bytes(b"a film")
    change_json(folder, lambda capture: capture.update(video="look.mkv"))
    assert read_capture(folder).video == "look.mkv"
    first = read_capture(folder).sha256
    (folder / "look.mkv").write_bytes(b"another")
    assert len({before, first, read_capture(folder).sha256}) == 3


def test_absent_noise_and_dates_are_absent(folder: Path) -> None:
    change_head(folder, lambda head: head.update(noise=None, valid_until=None))
    head = read_capture(folder).head
    assert head is not None
    assert head.noise is None
    assert head.valid_until is None


def test_a_place_in_use_is_not_overwritten(folder: Path) -> None:
    with pytest.raises(PlaceUnusable, match="is there already"):
        write_capture(small_capture(), folder)


def test_a_broken_off_writing_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_data: object) -> bytes:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("fringewise.files.captures.encoded_png", full)
    with pytest.raises(PlaceUnusable, match="no space left on device"):
        write_capture(small_capture(), tmp_path / "look")
    assert list(tmp_path.iterdir()) == []


def test_real_captures_are_read(shared_data: Path) -> None:
    capture = read_capture(shared_data / "real_rig" / "board_1")
    assert [one.fringe_set.across for one in capture.sets] == ["columns", "columns", "rows", "rows"]
    assert [one.fringe_set.fringes for one in capture.sets] == [16, 1, 16, 1]
    assert capture.head is not None
    assert capture.head.projector.height == 1140
    assert capture.sets[0].frames.shape == (3, 1352, 1688)


FRAME = "frames/set1_2.png"
GREY = np.full((HEIGHT, WIDTH), 90, np.uint8)


def replaced(path: str, data: bytes) -> Change:
    return lambda folder: (folder / path).write_bytes(data)


def changed(path: str, change: Callable[[bytes], bytes]) -> Change:
    return lambda folder: replaced(path, change((folder / path).read_bytes()))(folder)


def capture_with(change: Callable[[dict[str, Any]], object]) -> Change:
    return lambda folder: change_json(folder, change)


def head_with(change: Callable[[dict[str, Any]], object]) -> Change:
    return lambda folder: change_head(folder, change)


def flipped(data: bytes, place: int) -> bytes:
    return data[:place] + bytes([data[place] ^ 0xFF]) + data[place + 1 :]


def tiff(picture: np.ndarray[Any, Any], *options: int) -> bytes:
    return bytes(cv2.imencode(".tiff", picture, list(options))[1].tobytes())


def png_with_header(width: int, height: int, bits: int, colour: int) -> bytes:
    header = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    parts = [(b"IHDR", header), (b"IDAT", zlib.compress(bytes(100))), (b"IEND", b"")]
    chunks = [struct.pack(">I", len(d)) + n + d + struct.pack(">I", zlib.crc32(n + d)) for n, d in parts]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


def too_much_for_memory(folder: Path) -> None:
    change_head(folder, lambda head: head["camera"].update(width=16384, height=16384))
    change_json(folder, lambda capture: capture["fringe_sets"].append(capture["fringe_sets"][0]))


FAULTS: list[tuple[str, Change, str]] = [
    (
        "missing",
        lambda f: (f / FRAME).unlink(),
        "capture.json: fringe_sets[1].frames[2]: the file must exist",
    ),
    ("empty", replaced(FRAME, b""), f"{FRAME}: must be a PNG or TIFF file"),
    ("no picture", replaced(FRAME, b"not a picture"), f"{FRAME}: must be a PNG or TIFF file"),
    (
        "truncated",
        changed(FRAME, lambda d: d[: len(d) // 2]),
        f"{FRAME}: must be a whole PNG file: it breaks off",
    ),
    ("no end", changed(FRAME, lambda d: d[:-12]), f"{FRAME}: must be a whole PNG file: it breaks off"),
    (
        "byte flipped",
        changed(FRAME, lambda d: flipped(d, len(d) // 2)),
        f"{FRAME}: must be an undamaged PNG file",
    ),
    ("wrong size", replaced(FRAME, encoded_png(GREY[:-1])), f"{FRAME}: must be 64 × 48 pixels as the head's"),
    (
        "16 bits",
        replaced(FRAME, encoded_png(GREY.astype(np.uint16))),
        f"{FRAME}: must have 8 bits as the other",
    ),
    ("colour", replaced(FRAME, encoded_png(np.dstack([GREY] * 3))), f"{FRAME}: must have one channel; only"),
    ("alpha", replaced(FRAME, png_with_header(64, 48, 8, 6)), f"{FRAME}: must hold plain grey levels"),
    ("palette", replaced(FRAME, png_with_header(64, 48, 8, 3)), f"{FRAME}: must hold plain grey levels"),
    ("4 bits", replaced(FRAME, png_with_header(64, 48, 4, 0)), f"{FRAME}: must have 8 or 16 bits (found 4)"),
    ("huge", replaced(FRAME, png_with_header(2**31 - 1, 48, 8, 0)), f"{FRAME}: must be 1 to 16,384 pixels a"),
    ("tiff cut", replaced(FRAME, tiff(GREY)[:200]), f"{FRAME}: must be a whole TIFF file: it breaks off"),
    ("tiff float", replaced(FRAME, tiff(GREY.astype(np.float32))), f"{FRAME}: must "),
    (
        "jpeg",
        replaced(FRAME, cv2.imencode(".jpg", GREY)[1].tobytes()),
        f"{FRAME}: must be a PNG or TIFF file",
    ),
    (
        "photo size",
        replaced("frames/photo.png", encoded_png(GREY[:, :-2])),
        "frames/photo.png: must be 64 × 48 pixels as the head's camera (found 62 × 48 pixels)",
    ),
    (
        "folder",
        capture_with(lambda c: c.update(photo="frames")),
        "capture.json: photo: must be an ordinary file",
    ),
    (
        "outside",
        capture_with(lambda c: c.update(photo="../photo.png")),
        "capture.json: photo: must stay inside",
    ),
    (
        "absolute",
        capture_with(lambda c: c.update(photo="/etc/hosts")),
        "capture.json: photo: must stay inside",
    ),
    (
        "drive",
        capture_with(lambda c: c.update(photo="C:/p.png")),
        "capture.json: photo: must be a path inside",
    ),
    (
        "backslash",
        capture_with(lambda c: c.update(photo="a\\p.png")),
        "capture.json: photo: must be a path in",
    ),
    ("no head file", lambda f: (f / "head.json").unlink(), "capture.json: head: the file must exist"),
    ("head garbled", replaced("head.json", b"{"), "head.json: must be JSON"),
    (
        "head value",
        head_with(lambda h: h["camera"].update(fx=0)),
        "head.json: camera.fx: must be greater than 0",
    ),
    (
        "head bits",
        head_with(lambda h: h["noise"].update(bits=12)),
        "frames/set0_0.png: must have room for the 12",
    ),
    ("above bits", head_with(lambda h: h["noise"].update(bits=6)), "frames/set0_0.png: must not go above 63"),
    (
        "head size",
        head_with(lambda h: h["camera"].update(width=80)),
        "frames/set0_0.png: must be 80 × 48 pixels",
    ),
    (
        "memory",
        too_much_for_memory,
        "capture.json: fringe_sets: must not hold more than 4 GiB of frames",
    ),
]


@pytest.mark.parametrize(
    ("change", "line"), [fault[1:] for fault in FAULTS], ids=[fault[0] for fault in FAULTS]
)
def test_a_fault_is_named_with_file_field_and_rule(folder: Path, change: Change, line: str) -> None:
    change(folder)
    lines = refusal(folder)
    assert [one for one in lines if one.startswith(line)], lines


def test_all_problems_of_a_folder_come_at_once(folder: Path) -> None:
    change_json(folder, lambda capture: capture.update(captured_at="today"))
    change_json(folder, lambda capture: capture["fringe_sets"][0].update(fringes=-1))
    change_head(folder, lambda head: head["camera"].update(fx=-1))
    (folder / FRAME).unlink()
    changed("frames/set0_1.png", lambda data: data[:-20])(folder)
    replaced("frames/set0_3.png", encoded_png(GREY[:-1]))(folder)
    starts = ["capture.json: captured_at", "capture.json: fringe_sets[0].fringes", "head.json: camera.fx"]
    starts += ["capture.json: fringe_sets[1].frames[2]", "frames/set0_1.png", "frames/set0_3.png"]
    lines = refusal(folder)
    assert len(lines) == len(starts)
    for start in starts:
        assert [line for line in lines if line.startswith(start)], (start, lines)


def test_a_newer_head_is_refused_by_name(folder: Path) -> None:
    change_head(folder, lambda head: head.update(format="fringewise.head/7"))
    with pytest.raises(FormatUnknown, match=r"head.json: format: .*version 7"):
        read_capture(folder)


def test_a_link_that_leaves_the_folder_is_refused(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere.png").write_bytes((folder / FRAME).read_bytes())
    (folder / FRAME).unlink()
    link_or_skip(folder / FRAME, tmp_path / "elsewhere.png")
    (line,) = refusal(folder)
    assert "must stay inside the folder, also where it is a link" in line


def test_links_in_a_circle_are_refused(folder: Path) -> None:
    (folder / FRAME).unlink()
    link_or_skip(folder / FRAME, folder / FRAME)
    (line,) = refusal(folder)
    assert line.startswith("capture.json: fringe_sets[1].frames[2]: the file must")


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no named pipes")
def test_a_pipe_in_place_of_a_frame_is_refused_at_once(folder: Path) -> None:
    (folder / FRAME).unlink()
    if sys.platform != "win32":
        os.mkfifo(folder / FRAME)
    (line,) = refusal(folder)
    assert "must be an ordinary file" in line


def test_a_folder_without_its_document_is_not_complete(tmp_path: Path) -> None:
    with pytest.raises(
        InputRefused, match=r"must hold capture\.json; without it the capture is not complete"
    ):
        read_capture(tmp_path)
    with pytest.raises(InputRefused, match=r"must be a folder that holds capture\.json"):
        read_capture(tmp_path / "nowhere")


def test_nothing_is_printed_about_damaged_files(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    replaced(FRAME, tiff(GREY)[:-60])(folder)
    changed("frames/set0_0.png", lambda data: data[:-40])(folder)
    changed("frames/set0_1.png", lambda data: flipped(data, 200))(folder)
    assert len(refusal(folder)) == 3
    assert capfd.readouterr() == ("", "")


def test_a_head_by_itself_is_read_or_refused(folder: Path) -> None:
    assert read_head(folder / "head.json").serial == "SMALL-1"
    with pytest.raises(InputRefused, match="the file must exist"):
        read_head(folder / "nowhere.json")
    with pytest.raises(InputRefused, match="must be a file"):
        read_head(folder)


def change_json(folder: Path, change: Callable[[dict[str, Any]], object], name: str = "capture.json") -> None:
    document = json.loads((folder / name).read_text(encoding="utf-8"))
    change(document)
    (folder / name).write_text(json.dumps(document), encoding="utf-8")


def change_head(folder: Path, change: Callable[[dict[str, Any]], object]) -> None:
    change_json(folder, change, "head.json")


def rename_frames(capture: dict[str, Any], suffix: str) -> None:
    for one in capture["fringe_sets"]:
        one["frames"] = [name.replace(".png", suffix) for name in one["frames"]]


def link_or_skip(link: Path, target: Path) -> None:
    try:
        link.symlink_to(target)
    except (OSError, NotImplementedError) as error:
        pytest.skip(f"links can't be made here: {error}")


def refusal(folder: Path) -> list[str]:
    with pytest.raises(InputRefused) as refused:
        read_capture(folder)
    return str(refused.value).splitlines()
