"""Writing that happens whole or not at all: beside the target first, then one rename.

What breaks off on the way (a full disk, a pulled plug, a pressed key) leaves the target as it was.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from fringewise.core.errors import PlaceUnusable
from fringewise.disk.paths import reason


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all; PlaceUnusable where that can't be done."""
    with whole_file(path) as stream:
        stream.write(content)


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """Give a stream to write to; the file stands at `path` once the block has ended without an error.

    Raises
    ------
    PlaceUnusable
        The folder is missing, can't be written to or is full; or `path` is no ordinary file.
    """
    target = _target(path)
    part = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        with part.open("xb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(target)
        settle(target.parent)
    except OSError as error:
        raise PlaceUnusable(f"{path} can't be written: {reason(error)}") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


@contextlib.contextmanager
def whole_folder(path: Path) -> Iterator[Path]:
    """Give a new folder to fill; it stands at `path` once the block has ended without an error.

    Folders above `path` are made. What stands at `path` already is never replaced, unless it is an empty
    folder.

    Raises
    ------
    PlaceUnusable
        There is something at `path` already, or it can't be written.
    """
    target = Path(os.path.abspath(path))  # noqa: PTH100 - Path.resolve would follow a link at the target
    if target.exists() and not (target.is_dir() and not any(target.iterdir())):
        raise PlaceUnusable(f"{path} is there already and is not replaced; name a new folder")
    part = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        part.mkdir(parents=True)
        yield part
        if target.exists():
            target.rmdir()
        part.rename(target)
        settle(target.parent)
    except OSError as error:
        raise PlaceUnusable(f"{path} can't be written: {reason(error)}") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _target(path: Path) -> Path:
    """Follow a link to the file that it stands for; refuse what a rename would destroy."""
    try:
        target = path.resolve()
        if target.exists() and not target.is_file():
            raise PlaceUnusable(f"{path} can't be written: it is not an ordinary file")
    except (OSError, RuntimeError, ValueError) as error:
        raise PlaceUnusable(f"{path} can't be written: {reason(error)}") from error
    return target


def settle(folder: Path) -> None:
    """Make a rename survive a power cut, where the system can be asked to."""
    with contextlib.suppress(OSError):  # Windows opens no folders
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
