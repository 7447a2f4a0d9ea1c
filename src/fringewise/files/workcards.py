"""Work cards (format 11) read from their file."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import Any

from fringewise.core.documents import MOST_BYTES, decoded, parse
from fringewise.disk import bytes_of
from fringewise.record.documents import WorkCardDocument


def read_workcard(path: str | PathLike[str]) -> dict[str, Any]:
    """Read a work card, as JSON where the file's name ends so, else as TOML; gives its checked plain values.

    Raises
    ------
    InputRefused
        Every problem in it.
    """
    named = Path(path)
    toml = named.suffix.lower() != ".json"
    text = bytes_of(named, MOST_BYTES)
    parse(WorkCardDocument, text, str(path), toml=toml)
    data, _ = decoded(text, str(path), toml=toml)
    return data or {}
