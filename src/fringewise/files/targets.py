"""Calibration targets (format 6) read."""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from fringewise.calibrate.documents import TargetDocument
from fringewise.calibrate.target import Target, target_from_document
from fringewise.core.documents import MOST_BYTES, parse
from fringewise.disk import bytes_of


def read_target(path: str | PathLike[str]) -> Target:
    """Read a calibration target (format 6); InputRefused names every problem."""
    return target_from_document(parse(TargetDocument, bytes_of(Path(path), MOST_BYTES), str(path)))
