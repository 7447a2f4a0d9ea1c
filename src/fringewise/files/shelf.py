"""A folder that keeps the looks of an inspection: captures, what was marked, results and pictures."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fringewise.capture.capture import Capture
from fringewise.core.errors import PlaceUnusable
from fringewise.disk import write_bytes
from fringewise.files.captures import read_capture, write_capture
from fringewise.files.findings import read_findings, write_findings, write_results
from fringewise.findings.finding import Finding
from fringewise.workflow.measure import Measurement

Draw = Callable[[str, Measurement, Path], None]


@dataclass(frozen=True, slots=True)
class FolderShelf:
    """Keeps looks in the folders ``captures``, ``findings``, ``results``, ``truth`` and ``pictures``.

    Attributes
    ----------
    folder : Path
    program : str
        Name and version that the results state.
    draw : callable
        Draws a look's pictures: its name, its measurement, the folder for pictures.
    """

    folder: Path
    program: str
    draw: Draw

    def keep_capture(self, name: str, capture: Capture) -> None:
        """Keep a capture as a folder (format 1)."""
        write_capture(capture, self.folder / "captures" / name)

    def capture(self, name: str) -> Capture:
        """Read a kept capture back from its files."""
        return read_capture(self.folder / "captures" / name)

    def keep_truth(self, name: str, truth: Mapping[str, Any]) -> None:
        """Keep what is true of a rendered capture in a folder that measuring never reads."""
        text = json.dumps(truth, indent=1, ensure_ascii=False) + "\n"
        write_bytes(_file(self.folder / "truth", name), text.encode())

    def keep_findings(self, name: str, findings: Sequence[Finding]) -> None:
        """Keep what was marked (format 3)."""
        write_findings(findings, _file(self.folder / "findings", name))

    def findings(self, name: str) -> tuple[Finding, ...]:
        """Read back what was marked."""
        return read_findings(_file(self.folder / "findings", name))

    def keep_measurement(self, name: str, measurement: Measurement) -> None:
        """Keep the results (format 5) and the pictures of a look."""
        path = _file(self.folder / "results", name)
        write_results(measurement.results, measurement.summary, self.program, path)
        self.draw(name, measurement, _made(self.folder / "pictures"))


def _file(folder: Path, name: str) -> Path:
    return _made(folder) / f"{name}.json"


def _made(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PlaceUnusable(f"{folder} can't be made: {error.strerror or error}") from error
    return folder
