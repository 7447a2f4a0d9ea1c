"""Wire documents of check blocks (format 7) and verifications (format 10)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Literal

from pydantic import Field

from fringewise.core.documents import (
    Broken,
    Day,
    Moment,
    Name,
    NotNegative,
    Number,
    Part,
    Positive,
    Sha256,
    Text,
    YesNo,
    format_of,
)
from fringewise.findings.documents import KindName

MOST_FEATURES = 1000


class BlockFeatureDocument(Part):
    """What one feature of a block must read; the marks come as the finding with this id."""

    finding: Name
    kind: KindName
    quantity: Name
    unit: Name
    value: Number
    expanded_uncertainty: NotNegative
    coverage_factor: Positive
    permissible_error: Positive


class BlockDocument(Part):
    """A certified check block, feature by feature."""

    format: Annotated[str, format_of("block")]
    id: Name
    certificate: Text | None = None
    calibrated_on: Day | None = None
    valid_until: Day | None = None
    features: Annotated[tuple[BlockFeatureDocument, ...], Field(min_length=1, max_length=MOST_FEATURES)]

    def _broken_rules(self) -> Iterable[Broken]:
        if self.calibrated_on and self.valid_until and self.valid_until < self.calibrated_on:
            yield Broken("valid_until", "must not lie before calibrated_on", self.valid_until)
        yield from _named_twice([(one.finding, one.quantity) for one in self.features])


class ReadingDocument(Part):
    """One feature as it was read on the block, against its certificate."""

    finding: Name
    quantity: Name
    unit: Name
    reading: Number
    expanded_uncertainty: NotNegative
    error: Number
    e_n: Number
    test_value_uncertainty: NotNegative
    permissible_error: Positive
    passed: YesNo


class VerificationDocument(Part):
    """A head with its probe, tried on a check block."""

    format: Annotated[str, format_of("verification")]
    head: Name
    head_sha256: Sha256
    probe: Name | None = None
    block: Name
    done_at: Moment
    occasion: Literal["fitted", "after a knock", "end of work"]
    by: Name
    temperature_c: Annotated[float, Field(strict=True, ge=-90, le=500)] | None = None
    standoff_mm: NotNegative | None = None
    capture_sha256: Sha256 | None = None
    features: Annotated[tuple[ReadingDocument, ...], Field(max_length=MOST_FEATURES)]
    outcome: Literal["passed", "failed", "not able to verify"]

    def _broken_rules(self) -> Iterable[Broken]:
        yield from _named_twice([(one.finding, one.quantity) for one in self.features])
        if self.outcome == "passed" and not (self.features and all(one.passed for one in self.features)):
            yield Broken("outcome", "must not be passed unless there are features and each passed", "passed")


def _named_twice(names: Sequence[tuple[str, str]]) -> Iterable[Broken]:
    for n, name in enumerate(names):
        if name in names[:n]:
            yield Broken(f"features[{n}]", "each quantity of a feature must stand once", " ".join(name))
