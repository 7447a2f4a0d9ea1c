"""The picture files of a capture folder: found, checked and decoded; what is wrong with them collected."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, Final

from fringewise.capture.capture import FrameArray
from fringewise.capture.documents import MOST_SETS, MOST_SHIFTS, path_fault
from fringewise.capture.head import Head
from fringewise.core.errors import FormatUnknown, InputRefused, PlaceUnusable, Problem
from fringewise.disk import bytes_of, file_inside
from fringewise.files.picture_head import PictureHead
from fringewise.files.pictures import decoded_picture, picture_head, silent_decoder

CAPTURE_NAME: Final = "capture.json"
MOST_PICTURE_BYTES: Final = 1 << 29
MOST_CAPTURE_BYTES: Final = 1 << 32
"""All frames of a capture, decoded."""
THREADS: Final = 2


@dataclass(slots=True)
class Picture:
    """A picture file on its way: where it was named, what it says of itself, its content."""

    field: str
    path: str
    is_photo: bool
    sha256: str = ""
    head: PictureHead | None = None
    pixels: FrameArray | None = None
    fault: str = ""


@dataclass(slots=True)
class Reading:
    """What has been read of a folder so far, and everything found wrong with it."""

    folder: Path
    problems: list[Problem] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)
    format_unknown: bool = False

    def add(self, where: str, field: str, rule: str, value: str = "") -> None:
        """Note one problem."""
        self.problems.append(Problem(where, field, rule, value))

    def refuse_if_wrong(self) -> None:
        """Raise everything that was found wrong, if anything was."""
        if self.problems:
            raise (FormatUnknown if self.format_unknown else InputRefused)(self.problems)


def file_named(reading: Reading, field: str, path: object) -> Path | None:
    """Find a file by the path that the document gives; a path that its check has refused is passed over."""
    if not isinstance(path, str) or not path or len(path) > 1000 or path_fault(path):
        return None
    try:
        return file_inside(reading.folder, path)
    except ValueError as error:
        reading.add(CAPTURE_NAME, field, str(error), path)
        return None


def pictures_named(reading: Reading, data: Mapping[str, Any]) -> list[Picture]:
    """List the frames, set by set, and the photo last, from values that may be wrong in other places."""
    named = list(islice(_frames_named(data), MOST_SETS * MOST_SHIFTS))
    photo = data.get("photo")
    if isinstance(photo, str):
        named.append(Picture("photo", photo, is_photo=True))
    return [one for one in named if file_named(reading, one.field, one.path) is not None]


def _frames_named(data: Mapping[str, Any]) -> Iterator[Picture]:
    sets = data.get("fringe_sets")
    for n, one in enumerate(sets if isinstance(sets, list) else ()):
        frames = one.get("frames") if isinstance(one, dict) else None
        for k, path in enumerate(frames if isinstance(frames, list) else ()):
            if isinstance(path, str):
                yield Picture(f"fringe_sets[{n}].frames[{k}]", path, is_photo=False)


def read_pictures(reading: Reading, pictures: list[Picture], head: Head | None) -> list[Picture]:
    """Read, check and decode all pictures in two threads; what is wrong is added to `reading`."""
    wanted = (head.camera.width, head.camera.height) if head else None
    frames = [one for one in pictures if not one.is_photo]
    if wanted and len(pictures) * wanted[0] * wanted[1] * 2 > MOST_CAPTURE_BYTES:
        limit = f"must not hold more than {MOST_CAPTURE_BYTES >> 30} GiB of frames"
        reading.add(CAPTURE_NAME, "fringe_sets", limit, f"{len(frames):,} frames")
        return []
    with silent_decoder(), ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(lambda one: _load(one, reading.folder, wanted, alone=not frames), pictures))
    for one in pictures:
        if one.sha256:
            reading.hashes[one.path] = one.sha256
    _add_faults(reading, pictures, wanted)
    _add_depth_faults(reading, frames, head)
    return pictures


def _load(one: Picture, folder: Path, wanted: tuple[int, int] | None, *, alone: bool) -> None:
    """Read one file; decode it where its size fits the head's camera, or where it is a photo `alone`."""
    try:
        data = bytes_of(file_inside(folder, one.path), MOST_PICTURE_BYTES)
        one.sha256 = hashlib.sha256(data).hexdigest()
        one.head = picture_head(data)
        fits = wanted == (one.head.width, one.head.height) or (alone and wanted is None)
        if fits and (one.is_photo or one.head.channels == 1):
            one.pixels = decoded_picture(data, one.head)
    except InputRefused as error:
        one.fault = error.problems[0].rule
    except (PlaceUnusable, ValueError) as error:
        one.fault = str(error)


def _add_faults(reading: Reading, pictures: Sequence[Picture], wanted: tuple[int, int] | None) -> None:
    """Report what is wrong with single pictures: the file itself, its channels, its size."""
    sizes = Counter((one.head.width, one.head.height) for one in pictures if one.head)
    usual = sizes.most_common(1)[0][0] if sizes else None
    size = wanted or usual
    whose = "as the head's camera" if wanted else "as the other frames"
    for one in pictures:
        if one.fault:
            reading.add(one.path, "", one.fault)
        if one.head is None or size is None:
            continue
        if (one.head.width, one.head.height) != size:
            reading.add(one.path, "", f"must be {size[0]} × {size[1]} pixels {whose}", one.head.size)
        if one.head.channels != 1 and not one.is_photo:
            reading.add(one.path, "", "must have one channel; only the photo may have colour", "3 channels")


def _add_depth_faults(reading: Reading, frames: Sequence[Picture], head: Head | None) -> None:
    """Report frames whose bits differ from the others' or from the head's, and levels that can't be."""
    depths = Counter(one.head.bits for one in frames if one.head)
    usual = depths.most_common(1)[0][0] if depths else 8
    noise = head.noise if head else None
    for one in frames:
        if one.head is None:
            continue
        if one.head.bits != usual:
            reading.add(one.path, "", f"must have {usual} bits as the other frames", f"{one.head.bits} bits")
        elif noise and noise.bits > one.head.bits:
            rule = f"must have room for the {noise.bits} bits that the head's noise.bits states"
            reading.add(one.path, "", rule, f"{one.head.bits} bits")
        elif noise and noise.bits < one.head.bits and one.pixels is not None:
            top = int(one.pixels.max())
            if top > noise.saturation_dn:
                rule = (
                    f"must not go above {noise.saturation_dn}, the greatest of the head's {noise.bits} bits"
                )
                reading.add(one.path, "", rule, str(top))
