"""What the use cases need from outside: places to keep things and somebody to draw, as protocols."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, BinaryIO, Protocol

from fringewise.capture.capture import Capture
from fringewise.core.units import LengthUnit
from fringewise.findings.finding import Finding, FindingResult
from fringewise.record.chain import Draft, Entry
from fringewise.record.people import Objection, Person
from fringewise.report.damage_map import DamageMap
from fringewise.surface.surface import Surface
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


class Archive(Protocol):
    """Keeps entries in a chain, and files by their content; safe for many at once."""

    def append(
        self,
        drafts: Sequence[Draft],
        author: str,
        at: datetime,
        admit: Callable[[Draft, Person | None, Sequence[Entry]], Iterable[Objection]],
    ) -> tuple[Entry, ...]:
        """Write drafts down, all or none; `admit` says inside the transaction what speaks against one."""

    def entries(self, inspection: str) -> tuple[Entry, ...]:
        """Give all entries of an inspection, in order."""

    def inspection_names(self) -> tuple[str, ...]:
        """Give the names of all inspections."""

    def about(self, kind: str, subject: str | None = None) -> tuple[Entry, ...]:
        """Give the archive's own entries of a kind (and subject), in order."""

    def person(self, identity: str) -> Person | None:
        """Give a person; None where nobody of that name is known."""

    def keep(self, content: BinaryIO) -> str:
        """Keep a file by its content; gives its SHA-256 once it is safe."""

    def keep_bytes(self, content: bytes) -> str:
        """Keep a small file's content."""

    def keep_files(self, files: Mapping[str, Callable[[], BinaryIO]]) -> dict[str, str]:
        """Keep several files; gives the SHA-256 by name once all are safe."""

    def open(self, sha256: str) -> BinaryIO:
        """Open a kept file."""

    def holds(self, sha256: str) -> bool:
        """Whether a file is on record."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture as drawn: its bytes (PNG or SVG), what a blind reader is told, its share of the width."""

    key: str
    content: bytes
    alt: str
    share: float = 1.0


class Artist(Protocol):
    """Draws what a report shows."""

    def finding(self, surface: Surface, result: FindingResult, unit: LengthUnit) -> Sequence[Drawn]:
        """Draw a measured finding: photo with marks, deviation map and section; the damage in space."""

    def photo(self, content: bytes, result: FindingResult) -> Sequence[Drawn]:
        """Draw a plain photo with what was marked on it; nothing where it can't be read."""

    def damage_map(self, found: DamageMap) -> Drawn:
        """Draw where a stage's damage lies."""
