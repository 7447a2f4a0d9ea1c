"""Check blocks (format 7) read, verifications (format 10) written and read back from a folder."""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from fringewise.core.documents import MOST_BYTES, parse, to_json
from fringewise.disk import bytes_of, write_bytes
from fringewise.equipment.documents import BlockDocument, VerificationDocument


def read_block(path: str | PathLike[str]) -> BlockDocument:
    """Read a check block (format 7); InputRefused names every problem."""
    return parse(BlockDocument, bytes_of(Path(path), MOST_BYTES), str(path))


def read_verifications(folder: str | PathLike[str]) -> tuple[VerificationDocument, ...]:
    """Read all verifications (``*.json``) of a folder; the first bad one is refused with every problem."""
    return tuple(
        parse(VerificationDocument, bytes_of(path, MOST_BYTES), str(path))
        for path in sorted(Path(folder).glob("*.json"))
    )


def write_verification(document: VerificationDocument, path: Path) -> None:
    """Write a verification (format 10), whole or not at all."""
    write_bytes(path, to_json(document.model_dump(exclude_none=True, mode="json")))
