"""Files kept by the hash of their content: written whole or not at all, and never changed."""

from __future__ import annotations

import contextlib
import hashlib
import secrets
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final, Protocol

from fringewise.core.errors import PlaceUnusable
from fringewise.disk import settle, sha256_of_file, whole_file
from fringewise.disk.paths import reason

_CHUNK: Final = 1 << 20
_HASH_LENGTH: Final = 64
_A_DAY_S: Final = 86_400


class Objects(Protocol):
    """A place for files by the SHA-256 of their content."""

    def keep(self, content: BinaryIO) -> tuple[str, int]:
        """Keep a stream's content; gives its hash and number of bytes. What is there whole is left."""

    def open(self, sha256: str) -> BinaryIO:
        """Open what is kept; PlaceUnusable where it isn't there."""

    def holds(self, sha256: str) -> bool:
        """Whether it is there."""

    def names(self) -> Iterator[str]:
        """Hashes of all that is kept, in no order."""


class FolderObjects:
    """Objects in a folder: ``ab/cdef…`` under the first two digits of the hash."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._swept = False

    def keep(self, content: BinaryIO) -> tuple[str, int]:
        """Keep a stream's content; it stands under its name only once it is whole and on the disk."""
        coming = self.folder / "coming"
        _make(coming)
        self._sweep(coming)
        part = coming / secrets.token_hex(8)
        try:
            with whole_file(part) as stream:
                sha256, size = _copied(content, stream)
            target = self._place(sha256)
            if target.exists() and sha256_of_file(target) == sha256:
                return sha256, size  # what is there and was spoilt is replaced instead
            _make(target.parent)
            part.replace(target)
            settle(target.parent)
            settle(self.folder)
        except OSError as error:
            raise PlaceUnusable(f"{self.folder} can't be written: {reason(error)}") from error
        finally:
            part.unlink(missing_ok=True)
        return sha256, size

    def open(self, sha256: str) -> BinaryIO:
        """Open what is kept."""
        try:
            return self._place(sha256).open("rb")
        except OSError as error:
            raise PlaceUnusable(f"{sha256} is not in {self.folder}: {reason(error)}") from error

    def holds(self, sha256: str) -> bool:
        """Whether it is there."""
        return self._place(sha256).is_file()

    def names(self) -> Iterator[str]:
        """Hashes of all that is kept."""
        for path in self.folder.glob("??/*"):
            name = path.parent.name + path.name
            if len(name) == _HASH_LENGTH and path.parent.name != "coming":
                yield name

    def path(self, sha256: str) -> Path:
        """Where an object lies, for readers that want a file."""
        return self._place(sha256)

    def _sweep(self, coming: Path) -> None:
        """Remove what writers that were killed more than a day ago left behind; once."""
        if self._swept:
            return
        self._swept = True
        for path in coming.iterdir():
            with contextlib.suppress(OSError):
                if path.stat().st_mtime < time.time() - _A_DAY_S:
                    path.unlink()

    def _place(self, sha256: str) -> Path:
        if len(sha256) != _HASH_LENGTH or not set(sha256) <= set("0123456789abcdef"):
            raise ValueError("an object's name is the hexadecimal SHA-256 of its content")
        return self.folder / sha256[:2] / sha256[2:]


class StoreObjects:
    """Objects in any store that fsspec knows, such as ``s3://bucket/folder``."""

    def __init__(self, url: str) -> None:
        try:
            import fsspec  # noqa: PLC0415 - only a shop with such a store needs it

            self.files, self.root = fsspec.core.url_to_fs(url)
        except (ImportError, ValueError) as error:
            raise PlaceUnusable(f"the store {url.partition('?')[0]} can't be used: {error}") from error

    def keep(self, content: BinaryIO) -> tuple[str, int]:
        """Keep a stream's content: under another name first, then moved to its own."""
        part = f"{self.root}/coming/{secrets.token_hex(8)}"
        try:
            self.files.makedirs(f"{self.root}/coming", exist_ok=True)
            with self.files.open(part, "wb") as stream:
                sha256, size = _copied(content, stream)
            target = self._place(sha256)
            if self.files.exists(target):
                self.files.rm_file(part)
            else:
                self.files.makedirs(target.rpartition("/")[0], exist_ok=True)
                self.files.mv(part, target)
        except OSError as error:
            raise PlaceUnusable(f"{self.root} can't be written: {reason(error)}") from error
        return sha256, size

    def open(self, sha256: str) -> BinaryIO:
        """Open what is kept."""
        try:
            stream: BinaryIO = self.files.open(self._place(sha256), "rb")
        except OSError as error:
            raise PlaceUnusable(f"{sha256} is not in {self.root}: {reason(error)}") from error
        return stream

    def holds(self, sha256: str) -> bool:
        """Whether it is there."""
        return bool(self.files.exists(self._place(sha256)))

    def names(self) -> Iterator[str]:
        """Hashes of all that is kept."""
        found: list[Any] = self.files.glob(f"{self.root}/??/*")
        for path in found:
            above, name = str(path).rsplit("/", 2)[-2:]
            if len(above + name) == _HASH_LENGTH:
                yield above + name

    def _place(self, sha256: str) -> str:
        return f"{self.root}/{sha256[:2]}/{sha256[2:]}"


def objects_at(place: str) -> Objects:
    """Give the objects at a folder, or at a URL of a store."""
    return StoreObjects(place) if "://" in place else FolderObjects(Path(place))


def hash_of(content: BinaryIO) -> tuple[str, int]:
    """Hash a stream; gives the hash and the number of bytes."""
    digest, size = hashlib.sha256(), 0
    while chunk := content.read(_CHUNK):
        digest.update(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def _copied(source: BinaryIO, target: BinaryIO) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    while chunk := source.read(_CHUNK):
        digest.update(chunk)
        target.write(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PlaceUnusable(f"{folder} can't be made: {reason(error)}") from error
