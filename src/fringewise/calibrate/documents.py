"""Wire document of calibration targets (format 6)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Literal

from pydantic import Field

from fringewise.core.documents import (
    FROM_WHOLE,
    Broken,
    Day,
    Name,
    NotNegative,
    Part,
    Positive,
    Text,
    YesNo,
    format_of,
)

Along = Annotated[int, Field(strict=True, ge=2, le=1000), FROM_WHOLE]


class TargetDocument(Part):
    """A calibration target as certified: a checkerboard's inner corners, or round dots on a square grid.

    `pitch_expanded_uncertainty_mm` is for the mean pitch, shared by all corners; `corner_uncertainty_mm` is
    standard, for single corners; `flatness_mm` says how far from flat the target may be.
    """

    format: Annotated[str, format_of("target")]
    id: Name
    kind: Literal["checkerboard", "dots"]
    columns: Along
    rows: Along
    pitch_mm: Positive
    pitch_expanded_uncertainty_mm: NotNegative
    coverage_factor: Positive
    corner_uncertainty_mm: NotNegative | None = None
    flatness_mm: NotNegative | None = None
    dark_on_light: YesNo | None = None
    certificate: Text | None = None
    calibrated_on: Day | None = None
    valid_until: Day | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.kind == "dots" and self.dark_on_light is None:
            yield Broken("dark_on_light", "must be given for dots")
        if self.calibrated_on and self.valid_until and self.valid_until < self.calibrated_on:
            yield Broken("valid_until", "must not lie before calibrated_on", self.valid_until)
