"""Finding what can be taken in at a path: capture folders, photos, videos, and all of these in zip files."""

from __future__ import annotations

import functools
import json
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO, Final, Literal, Protocol

from fringewise.capture.capture import Capture
from fringewise.core.errors import InputRefused, PlaceUnusable, Problem, refuse
from fringewise.disk import sha256_of_file
from fringewise.disk.paths import reason
from fringewise.files.capture_pictures import CAPTURE_NAME
from fringewise.files.captures import read_capture, read_capture_files
from fringewise.files.zips import SIGNATURES, unpack
from fringewise.record.bodies import EvidenceKind
from fringewise.record.manifest import manifest_files
from fringewise.workflow.intake import Facts, Parcel, facts_of

TAKEN: Final = "a capture folder, a photo (PNG, TIFF, JPEG), a video (MP4, MOV, AVI, MKV) or a zip file"

_MOST_MANIFEST_BYTES: Final = 8 << 20
_CHUNK: Final = 1 << 20
_HEAD_BYTES: Final = 16
_PHOTOS: Final = (b"\x89PNG\r\n\x1a\n", b"II*\x00", b"MM\x00*", b"\xff\xd8\xff")
_VIDEOS: Final = ((4, b"ftyp"), (8, b"AVI "), (0, b"\x1a\x45\xdf\xa3"))


@dataclass(frozen=True, slots=True)
class PassedOver:
    """Something inside a folder or zip file that is not taken, and why; `unsound` where it is a capture."""

    name: str
    words: str
    unsound: bool = False


def parcels_at(path: Path) -> Iterator[Parcel | PassedOver]:
    """Give what can be taken in at a path, one after the other.

    A folder with ``capture.json`` is a capture; any other folder is gone through, and so is a zip file once
    it is unpacked to a temporary folder. A file that is none of these is an error where it is `path` itself,
    and passed over where it lies beside others, and so is an unsound capture. What a parcel opens can be read
    only until the next is asked for.

    Raises
    ------
    InputRefused
        There is nothing there, it is nothing of the kind, or it is an unsound capture: every problem of it is
        named.
    """
    if path.is_symlink() and not path.exists():
        raise refuse(str(path), "", "must exist: it is a link to nothing")
    if path.is_dir():
        yield from _in_folder(path, path.name or path.resolve().name)
        return
    kind = _kind(path)
    if kind == "zip":
        with tempfile.TemporaryDirectory(prefix="fringewise-", ignore_cleanup_errors=True) as place:
            unpack(path, Path(place))
            yield from _in_folder(Path(place), path.stem)
    elif kind == "photo" or kind == "video":  # noqa: PLR1714 - so that the type is known
        yield _file_parcel(path, kind, path.name)
    else:
        raise refuse(str(path), "", f"must be {TAKEN}")


class Kept(Protocol):
    """Files that are kept by their content: an archive, or its objects alone."""

    def open(self, sha256: str) -> BinaryIO:
        """Open a kept file."""


def capture_of(archive: Kept, sha256: str) -> Capture:
    """Read a capture back from an archive; every file is checked against the capture's hash.

    Raises
    ------
    InputRefused
        It is not there or no capture, or a file of it was changed.
    """
    with tempfile.TemporaryDirectory(prefix="fringewise-", ignore_cleanup_errors=True) as place:
        folder = Path(place)
        put_back(archive, sha256, folder)
        capture = read_capture(folder)
    if capture.sha256 != sha256:
        raise refuse("archive", sha256, "must give back what was taken in; run fringewise audit")
    return capture


def put_back(archive: Kept, sha256: str, folder: Path) -> None:
    """Write the files of a kept capture into an empty folder, as they were taken in."""
    with archive.open(sha256) as stream:
        text = stream.read(_MOST_MANIFEST_BYTES)
    try:
        files = manifest_files(text.decode())
    except ValueError as error:
        raise refuse("archive", sha256, "must be a capture; photos and videos carry no sizes") from error
    for path, content in files.items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        with archive.open(content) as source, target.open("xb") as sink:
            while chunk := source.read(_CHUNK):
                sink.write(chunk)


def _in_folder(folder: Path, name: str) -> Iterator[Parcel | PassedOver]:
    """Go through a folder, links left alone."""
    if (folder / CAPTURE_NAME).is_file():
        yield _capture_parcel(folder, name)
        return
    for path in sorted(folder.iterdir()):
        inner = f"{name}/{path.name}"
        if path.is_symlink():
            yield PassedOver(inner, "it is a link")
        elif path.is_dir():
            yield from _inner_folder(path, inner)
        elif (kind := _kind(path)) == "photo" or kind == "video":
            yield _file_parcel(path, kind, inner)
        else:
            words = "add it by itself" if kind == "zip" else f"it is not {TAKEN}"
            yield PassedOver(inner, words)


def _inner_folder(folder: Path, name: str) -> Iterator[Parcel | PassedOver]:
    try:
        yield from _in_folder(folder, name)
    except InputRefused as error:
        yield PassedOver(name, str(error), unsound=True)


def _capture_parcel(folder: Path, name: str) -> Parcel:
    try:
        capture, hashes = read_capture_files(folder)
        _refuse_same_names(hashes)
    except InputRefused as error:
        named = [Problem(f"{name}/{one.where}", one.field, one.rule, one.value) for one in error.problems]
        raise type(error)(named) from error
    files = {path: functools.partial(_opened, folder / path) for path in hashes}
    head = hashes.get(str(json.loads((folder / CAPTURE_NAME).read_bytes()).get("head")))
    return Parcel("capture", _short(name), capture.sha256, hashes, files, facts_of(capture, head))


def _refuse_same_names(hashes: Mapping[str, str]) -> None:
    """Refuse files that would be one and the same on a system that takes small and capital letters as one."""
    met: dict[str, str] = {}
    for path in sorted(hashes):
        same = str(PurePosixPath(path)).casefold()
        if same in met:
            raise refuse(CAPTURE_NAME, path, "must not differ from another name by capital letters only")
        met[same] = path


def _file_parcel(path: Path, kind: EvidenceKind, name: str) -> Parcel:
    try:
        sha256 = sha256_of_file(path)
    except OSError as error:
        raise PlaceUnusable(f"{path} can't be read: {reason(error)}") from error
    opened: Callable[[], BinaryIO] = functools.partial(_opened, path)
    return Parcel(kind, _short(name), sha256, {path.name: sha256}, {path.name: opened}, Facts())


def _opened(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        raise PlaceUnusable(f"{path} can't be read: {reason(error)}") from error


def _kind(path: Path) -> Literal["photo", "video", "zip", "other"]:
    """Tell a file by how it begins."""
    try:
        if not path.is_file():
            raise refuse(str(path), "", "must exist and be a file or folder")
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise PlaceUnusable(f"{path} can't be read: {reason(error)}") from error
    if head.startswith(_PHOTOS):
        return "photo"
    if any(head[at : at + len(sign)] == sign for at, sign in _VIDEOS):
        return "video"
    return "zip" if head.startswith(SIGNATURES) else "other"


def _short(name: str) -> str:
    printable = "".join(letter if letter.isprintable() else "?" for letter in name)
    return printable[-500:] or "?"
