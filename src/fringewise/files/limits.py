"""Limits books read (format 8), what is held against them, and the verdicts (format 9) read and written."""

from __future__ import annotations

from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Any

from fringewise.core.documents import MOST_BYTES, parse, to_json
from fringewise.disk import bytes_of, write_bytes
from fringewise.equipment.documents import VerificationDocument
from fringewise.findings.result_documents import ResultsDocument
from fringewise.record.documents import WorkCardDocument
from fringewise.verdict.book import LimitsBook
from fringewise.verdict.book_reading import parse_limits
from fringewise.verdict.documents import VerdictsDocument


def read_limits(path: str | PathLike[str]) -> LimitsBook:
    """Read a limits book, as JSON where the file's name ends so, else as TOML.

    Raises
    ------
    InputRefused
        Every problem in it, with its line, its rule and what to do.
    """
    named = Path(path)
    toml = named.suffix.lower() != ".json"
    return parse_limits(bytes_of(named, MOST_BYTES), str(path), toml=toml)


def limits_text(path: str | PathLike[str]) -> bytes:
    """Read a limits book's file as it stands, for keeping it by its content."""
    return bytes_of(Path(path), MOST_BYTES)


def read_results(path: str | PathLike[str]) -> ResultsDocument:
    """Read results (format 5); InputRefused names every problem."""
    return parse(ResultsDocument, bytes_of(Path(path), MOST_BYTES), str(path))


def read_verdicts(path: str | PathLike[str]) -> VerdictsDocument:
    """Read verdicts (format 9); InputRefused names every problem."""
    return parse(VerdictsDocument, bytes_of(Path(path), MOST_BYTES), str(path))


def read_verification(path: str | PathLike[str]) -> VerificationDocument:
    """Read a verification (format 10); InputRefused names every problem."""
    return parse(VerificationDocument, bytes_of(Path(path), MOST_BYTES), str(path))


def read_work_card(path: str | PathLike[str]) -> WorkCardDocument:
    """Read a work card (format 11), as JSON where the file's name ends so, else as TOML."""
    named = Path(path)
    toml = named.suffix.lower() != ".json"
    return parse(WorkCardDocument, bytes_of(named, MOST_BYTES), str(path), toml=toml)


def write_verdicts(verdicts: Mapping[str, Any], path: Path) -> None:
    """Write verdicts (format 9), whole or not at all."""
    write_bytes(path, to_json(verdicts))
