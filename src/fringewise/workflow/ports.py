"""What the use cases need from outside: places to keep things and somebody to draw, as protocols."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from fringewise.capture.capture import Capture
from fringewise.findings.finding import Finding
from fringewise.workflow.measure import Measurement


class Shelf(Protocol):
    """Keeps the looks of an inspection by name, each with its findings and results; whole or not at all."""

    def keep_capture(self, name: str, capture: Capture) -> None:
        """Keep a capture."""

    def capture(self, name: str) -> Capture:
        """Read a kept capture back from its files."""

    def keep_truth(self, name: str, truth: Mapping[str, Any]) -> None:
        """Keep what is true of a rendered capture, apart from it: measuring never reads this."""

    def keep_findings(self, name: str, findings: Sequence[Finding]) -> None:
        """Keep what was marked."""

    def findings(self, name: str) -> tuple[Finding, ...]:
        """Read back what was marked."""

    def keep_measurement(self, name: str, measurement: Measurement) -> None:
        """Keep the results and the pictures of a look."""
