"""Findings (format 3) read and written; results (format 5) written."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike
from pathlib import Path

from fringewise.core.documents import MOST_BYTES, to_json
from fringewise.disk import bytes_of, write_bytes
from fringewise.findings.documents import findings_document, parse_findings
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.result_documents import CaptureSummary, results_document


def read_findings(path: str | PathLike[str]) -> tuple[Finding, ...]:
    """Read what a person marked (format 3); InputRefused names every problem."""
    return parse_findings(bytes_of(Path(path), MOST_BYTES), str(path))


def write_findings(findings: Sequence[Finding], path: Path) -> None:
    """Write findings (format 3), whole or not at all."""
    write_bytes(path, to_json(findings_document(findings)))


def write_results(
    results: Sequence[FindingResult], capture: CaptureSummary, program: str, path: Path
) -> None:
    """Write results (format 5), whole or not at all.

    Parameters
    ----------
    results : sequence of FindingResult
    capture : CaptureSummary
    program : str
        Name and version of the program that measured.
    path : Path
    """
    write_bytes(path, to_json(results_document(results, capture, program)))
