"""Study tables (format 12) read from CSV."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import Final

from fringewise.core.errors import InputRefused, Problem
from fringewise.disk import bytes_of
from fringewise.study import StudyTable, parse_study

_MOST_BYTES: Final = 20_000_000


def read_study(path: str | PathLike[str]) -> StudyTable:
    """Read a study table.

    Raises
    ------
    InputRefused
        Every problem in it, with its line.
    """
    content = bytes_of(Path(path), _MOST_BYTES)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputRefused([Problem(str(path), "", "must be text in UTF-8: save it as CSV UTF-8")]) from None
    return parse_study(text, str(path))
