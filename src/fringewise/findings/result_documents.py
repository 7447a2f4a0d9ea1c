"""Wire document of results (format 5)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

from pydantic import Field

from fringewise.core.documents import (
    Broken,
    Moment,
    Name,
    NotNegative,
    Number,
    Part,
    Probability,
    Sha256,
    Text,
    format_of,
)
from fringewise.core.measured import SOURCES, Bound, Contribution, Measured, Source
from fringewise.findings.documents import MOST_FINDINGS, finding_fields
from fringewise.findings.finding import FindingResult


class ContributionDocument(Part):
    """One line of a budget."""

    source: Source
    standard_uncertainty: NotNegative


class QuantityDocument(Part):
    """One measured quantity with its uncertainty."""

    name: Name
    unit: Name
    value: Number
    standard_uncertainty: NotNegative
    coverage_factor: Annotated[float, Field(strict=True, gt=0, le=1e6)]
    expanded_uncertainty: NotNegative
    interval_95: tuple[Number, Number]
    budget: Annotated[tuple[ContributionDocument, ...], Field(max_length=len(SOURCES))]
    not_included: Annotated[tuple[Text, ...], Field(max_length=100)]
    bound: Bound
    degrees_of_freedom: Annotated[float, Field(strict=True, gt=0, le=1e12)] | None = None
    quantiles: Mapping[Annotated[str, Field(pattern=r"^0\.[0-9]{1,10}$")], Number] | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        total = sum(line.standard_uncertainty**2 for line in self.budget)
        if abs(total - self.standard_uncertainty**2) > 0.1 * self.standard_uncertainty**2 + 1e-18:
            yield Broken(
                "budget", "its squares must add up to the square of standard_uncertainty", f"{total:g}"
            )
        if self.interval_95[0] > self.interval_95[1]:
            yield Broken("interval_95", "must rise", f"{self.interval_95[0]:g} to {self.interval_95[1]:g}")


class FindingResultDocument(Part):
    """What came of measuring one finding."""

    id: Name
    kind: Name
    status: Literal["measured", "not_measured"]
    quantities: Annotated[tuple[QuantityDocument, ...], Field(max_length=100)] | None = None
    reason: Text | None = None
    warnings: Annotated[tuple[Text, ...], Field(max_length=1000)] | None = None

    def _broken_rules(self) -> Iterable[Broken]:
        if self.status == "measured" and not self.quantities:
            yield Broken("quantities", "must be given where the finding was measured")
        if self.status == "not_measured" and not self.reason:
            yield Broken("reason", "must be given where the finding was not measured")


class CaptureSummaryDocument(Part):
    """Which capture was measured, when it was taken, by which head, and how it stood."""

    sha256: Sha256 | None = None
    captured_at: Moment | None = None
    head: Name | None = None
    valid_fraction: Probability | None = None
    standoff_mm: NotNegative | None = None
    stands_against: Annotated[tuple[Text, ...], Field(max_length=100)] | None = None


class ResultsDocument(Part):
    """The measured findings of one capture."""

    format: Annotated[str, format_of("results")]
    program: Name
    capture: CaptureSummaryDocument
    findings: Annotated[tuple[FindingResultDocument, ...], Field(max_length=MOST_FINDINGS)]


@dataclass(frozen=True, slots=True)
class CaptureSummary:
    """What results say about their capture: content hash, head, share of pixels, median z (mm), time.

    `stands_against` is what stood against using the head when the capture was taken, in words.
    """

    sha256: str = ""
    head: str = ""
    valid_fraction: float | None = None
    standoff_mm: float | None = None
    captured_at: str = ""
    stands_against: tuple[str, ...] = ()


def results_document(
    results: Sequence[FindingResult], capture: CaptureSummary, program: str
) -> dict[str, Any]:
    """Give results as the plain values of their document (format 5).

    Where a finding is, its note and its answers go through to its result.

    Examples
    --------
    >>> from fringewise.findings.finding import Finding
    >>> one = FindingResult(Finding("F2", "crack", zone="tip"), reason="too dark")
    >>> results_document([one], CaptureSummary(), "fringewise 1")["findings"]
    [{'id': 'F2', 'kind': 'crack', 'zone': 'tip', 'status': 'not_measured', 'reason': 'too dark'}]
    """
    summary = {
        "sha256": capture.sha256 or None,
        "captured_at": capture.captured_at or None,
        "head": capture.head or None,
        "valid_fraction": capture.valid_fraction,
        "standoff_mm": capture.standoff_mm,
        "stands_against": list(capture.stands_against) or None,
    }
    return {
        "format": "fringewise.results/1",
        "program": program,
        "capture": {name: value for name, value in summary.items() if value is not None},
        "findings": [_result_fields(one) for one in results],
    }


def _result_fields(result: FindingResult) -> dict[str, Any]:
    outcome: dict[str, Any] = {"status": result.status}
    if result.quantities:
        outcome["quantities"] = [quantity_fields(one) for one in result.quantities]
    else:
        outcome["reason"] = result.reason
    if result.quantities or result.warnings:
        outcome["warnings"] = list(result.warnings)
    return {**finding_fields(result.finding, marks=False), **outcome}


def quantity_fields(measured: Measured) -> dict[str, Any]:
    """Give the fields of one measured quantity.

    Examples
    --------
    >>> quantity_fields(Measured("depth", "mm", 0.3, ()))["bound"]
    'both'
    """
    stated: dict[str, Any] = {
        "name": measured.name,
        "unit": measured.unit,
        "value": measured.value,
        "standard_uncertainty": measured.standard_uncertainty,
        "coverage_factor": measured.coverage_factor,
        "expanded_uncertainty": measured.expanded_uncertainty,
        "interval_95": list(measured.interval_95),
        "budget": [
            {"source": line.source, "standard_uncertainty": line.standard_uncertainty}
            for line in measured.budget
        ],
        "not_included": list(measured.not_included),
        "bound": measured.bound,
    }
    if math.isfinite(measured.degrees_of_freedom):
        stated["degrees_of_freedom"] = measured.degrees_of_freedom
    if measured.quantiles:
        stated["quantiles"] = {f"{probability:g}": value for probability, value in measured.quantiles}
    return stated


def measured_of(document: QuantityDocument) -> Measured:
    """Make a quantity from its document, as `quantity_fields` wrote it.

    Examples
    --------
    >>> depth = Measured("depth", "mm", 0.3, (Contribution("marks", 0.002),), ("calibration: none",))
    >>> measured_of(QuantityDocument.model_validate(quantity_fields(depth))) == depth
    True
    """
    budget = tuple(Contribution(line.source, line.standard_uncertainty) for line in document.budget)
    few = document.degrees_of_freedom
    plain = Measured(
        document.name,
        document.unit,
        document.value,
        budget,
        tuple(document.not_included),
        math.inf if few is None else few,
        document.bound,
    )
    said, follows = document.interval_95, plain.interval_95
    wide = max(follows[1] - follows[0], 1e-12)
    if all(abs(one - other) <= 1e-6 * wide for one, other in zip(said, follows, strict=True)):
        return plain
    quantiles = tuple((float(p), value) for p, value in (document.quantiles or {}).items())
    return replace(plain, interval=said, quantiles=quantiles)
