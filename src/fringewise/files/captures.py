"""Capture folders (format 1): read with every problem reported at once, written whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from os import PathLike
from pathlib import Path
from typing import Any, Final, cast

import numpy as np

from fringewise.capture.capture import Capture, FrameArray, FringeFrames
from fringewise.capture.documents import (
    CaptureDocument,
    capture_document,
    fringe_set,
    head_document,
    parse_head,
)
from fringewise.capture.head import Head
from fringewise.core.documents import (
    MOST_BYTES,
    checked_document,
    decoded,
    moment_of,
    to_json,
    unknown_fields,
)
from fringewise.core.errors import FormatUnknown, InputRefused, PlaceUnusable, Problem, refuse
from fringewise.disk import bytes_of, sha256_of_file, sha256_of_lines, whole_folder, write_bytes
from fringewise.files.capture_pictures import (
    CAPTURE_NAME,
    THREADS,
    Picture,
    Reading,
    file_named,
    pictures_named,
    read_pictures,
)
from fringewise.files.pictures import encoded_png

HEAD_NAME: Final = "head.json"
PHOTO_NAME: Final = "frames/photo.png"


def read_capture(folder: str | PathLike[str]) -> Capture:
    """Read a capture folder.

    Parameters
    ----------
    folder : Path
        Holds ``capture.json`` and the files that it names.

    Returns
    -------
    Capture
        With the content hash of format 1.

    Raises
    ------
    InputRefused
        Every problem of the folder: of ``capture.json``, the head, each frame, and between them.
    FormatUnknown
        A document of it is of another kind or of a major version that is not known.
    """
    return read_capture_files(Path(folder))[0]


def read_capture_files(folder: Path) -> tuple[Capture, dict[str, str]]:
    """Read a capture folder as `read_capture` does; gives also the SHA-256 of each of its files by path."""
    if not folder.is_dir():
        raise refuse(str(folder), "", f"must be a folder that holds {CAPTURE_NAME}")
    if not (folder / CAPTURE_NAME).exists():
        raise refuse(str(folder), "", f"must hold {CAPTURE_NAME}; without it the capture is not complete")
    reading = Reading(folder)
    text = bytes_of(folder / CAPTURE_NAME, MOST_BYTES)
    reading.hashes[CAPTURE_NAME] = hashlib.sha256(text).hexdigest()
    data, reading.problems = decoded(text, CAPTURE_NAME)
    if data is None:
        raise InputRefused(reading.problems)
    document, problems = checked_document(CaptureDocument, data, CAPTURE_NAME)
    reading.problems += problems
    head = _read_head(reading, data)
    pictures = read_pictures(reading, pictures_named(reading, data), head)
    _hash_video(reading, data)
    reading.refuse_if_wrong()
    if document is None:
        raise InputRefused([Problem(CAPTURE_NAME, "", "can't be read")])
    return _capture(document, head, pictures, reading), dict(reading.hashes)


def read_head(path: str | PathLike[str]) -> Head:
    """Read a head's calibration (format 2); InputRefused names every problem."""
    return parse_head(bytes_of(Path(path), MOST_BYTES), str(path))


def write_head(head: Head, path: Path) -> None:
    """Write a head's calibration (format 2), whole or not at all."""
    write_bytes(path, to_json(head_document(head)))


def write_capture(capture: Capture, folder: Path) -> None:
    """Write a capture as a new folder (format 1), whole or not at all; ``capture.json`` comes last.

    Frames and photo become PNG files. A `video` is named and not written.

    Raises
    ------
    PlaceUnusable
        There is something at `folder` already, or it can't be written.
    """
    names = [[f"frames/set{n}_{k}.png" for k in range(len(one.frames))] for n, one in enumerate(capture.sets)]
    pictures = [
        (name, frame)
        for one, paths in zip(capture.sets, names, strict=True)
        for name, frame in zip(paths, one.frames, strict=True)
    ]
    if capture.photo is not None:
        pictures.append((PHOTO_NAME, capture.photo))
    with whole_folder(folder) as part:
        (part / "frames").mkdir()
        with ThreadPoolExecutor(THREADS) as pool:
            for (name, _), data in zip(
                pictures, pool.map(lambda p: encoded_png(p[1]), pictures), strict=True
            ):
                write_bytes(part / name, data)
        if capture.head is not None:
            write_head(capture.head, part / HEAD_NAME)
        document = capture_document(
            capture,
            names,
            head=HEAD_NAME if capture.head is not None else None,
            photo=PHOTO_NAME if capture.photo is not None else None,
        )
        write_bytes(part / CAPTURE_NAME, to_json(document))


def _read_head(reading: Reading, data: Mapping[str, Any]) -> Head | None:
    found = file_named(reading, "head", data.get("head"))
    if found is None:
        return None
    path = str(data["head"])
    try:
        text = bytes_of(found, MOST_BYTES)
        reading.hashes[path] = hashlib.sha256(text).hexdigest()
        return parse_head(text, path)
    except InputRefused as error:
        reading.problems += error.problems
        reading.format_unknown |= isinstance(error, FormatUnknown)
    except PlaceUnusable as error:
        reading.add(CAPTURE_NAME, "head", f"the file must be readable: {error}", path)
    return None


def _hash_video(reading: Reading, data: Mapping[str, Any]) -> None:
    found = file_named(reading, "video", data.get("video"))
    if found is None:
        return
    path = str(data["video"])
    try:
        reading.hashes[path] = sha256_of_file(found)
    except OSError as error:
        reading.add(CAPTURE_NAME, "video", f"the file must be readable: {error.strerror}", path)


def _capture(
    document: CaptureDocument, head: Head | None, pictures: Sequence[Picture], reading: Reading
) -> Capture:
    """Put a sound folder together."""
    pixels = {one.field: one.pixels for one in pictures if one.pixels is not None}
    sets = []
    for n, one in enumerate(document.fringe_sets or ()):
        frames = [pixels.pop(f"fringe_sets[{n}].frames[{k}]") for k in range(len(one.frames))]
        sets.append(FringeFrames(fringe_set(one), cast("FrameArray", np.stack(frames))))
    try:
        return Capture(
            captured_at=moment_of(document.captured_at),
            head=head,
            sets=tuple(sets),
            photo=pixels.get("photo"),
            probe=document.probe,
            note=document.note,
            video=document.video,
            sha256=sha256_of_lines(reading.hashes),
            extra=unknown_fields(document),
        )
    except ValueError as error:
        raise refuse(CAPTURE_NAME, "", str(error)) from error
