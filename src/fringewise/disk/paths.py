"""Paths that come from documents: followed only to ordinary files inside the document's own folder."""

from __future__ import annotations

import stat
from pathlib import Path

from fringewise.core.errors import PlaceUnusable, refuse


def file_inside(folder: Path, path: str) -> Path:
    """Find an ordinary file by its path inside `folder`, links followed.

    Raises
    ------
    ValueError
        There is no such file, or it lies outside (also by a link), or it is no ordinary file. The message
        is the rule that is broken.
    """
    try:
        root = folder.resolve(strict=True)
        found = (root / path).resolve(strict=True)
        mode = found.stat().st_mode
    except FileNotFoundError as error:
        raise ValueError("the file must exist") from error
    except NotADirectoryError as error:
        raise ValueError("the file must exist") from error
    except (OSError, RuntimeError, ValueError) as error:  # RuntimeError: links in a circle
        raise ValueError(f"the file must be readable: {reason(error)}") from error
    if not found.is_relative_to(root):
        raise ValueError("must stay inside the folder, also where it is a link")
    if not stat.S_ISREG(mode):
        raise ValueError("must be an ordinary file")
    return found


def bytes_of(path: Path, most_bytes: int) -> bytes:
    """Read a whole file that a person named.

    Raises
    ------
    InputRefused
        There is no such file, it is no ordinary file, or it is larger than `most_bytes`.
    PlaceUnusable
        It is there and can't be read.
    """
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            raise refuse(str(path), "", "must be a file")
        if state.st_size > most_bytes:
            found = f"{state.st_size / 2**20:,.1f} MiB"
            raise refuse(str(path), "", f"must not be larger than {most_bytes / 2**20:,g} MiB", found)
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError) as error:
        raise refuse(str(path), "", "the file must exist") from error
    except (OSError, ValueError) as error:
        raise PlaceUnusable(f"{path} can't be read: {reason(error)}") from error


def reason(error: BaseException) -> str:
    """Give the system's reason in a few words.

    Examples
    --------
    >>> reason(OSError(28, "No space left on device"))
    'no space left on device'
    """
    words = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return words[:1].lower() + words[1:]
