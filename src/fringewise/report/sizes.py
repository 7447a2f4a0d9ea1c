"""Sizes, limits and budgets of a finding in words, in the unit that the reader chose."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from fringewise.core.units import MM_PER_INCH, LengthUnit, shown_in, value_and_doubt, value_like
from fringewise.findings.kind import quantity_words
from fringewise.findings.result_documents import FindingResultDocument, QuantityDocument
from fringewise.report.parts import BudgetRow, LimitRow, SizeRow
from fringewise.verdict.documents import FindingVerdictDocument, GroundDocument, LimitsDocument

_BOUNDS: Final = {"both": "", "at_least": "at least", "at_most": "at most"}
BOUNDARIES: Final = {
    "serviceable_up_to": "serviceable up to",
    "inspect_again_up_to": "inspect again up to",
    "blend_up_to": "may be blended up to",
    "serviceable_from": "serviceable from",
    "inspect_again_from": "inspect again from",
    "blend_from": "may be blended from",
}
"""Boundaries of a limits book as they are spoken."""


def size_words(one: QuantityDocument, unit: LengthUnit) -> str:
    """Write a quantity with its doubt, and whether it is a least or greatest size.

    Examples
    --------
    >>> one = QuantityDocument(name="length", unit="mm", value=3.21, standard_uncertainty=0.01,
    ...     coverage_factor=2.0, expanded_uncertainty=0.02, interval_95=(3.19, 3.23), bound="at_least",
    ...     budget=({"source": "marks", "standard_uncertainty": 0.01},), not_included=())
    >>> size_words(one, "mm")
    'at least 3.210 ± 0.020 mm'
    """
    words = value_and_doubt(one.value, one.expanded_uncertainty, one.unit, unit)
    return f"{_BOUNDS[one.bound]} {words}".strip()


def size_rows(result: FindingResultDocument, unit: LengthUnit) -> Iterator[SizeRow]:
    """Write every quantity of a finding."""
    for one in result.quantities or ():
        low, high = (value_like(end, one.expanded_uncertainty, one.unit, unit) for end in one.interval_95)
        degrees = f", {one.degrees_of_freedom:.0f} degrees of freedom" if one.degrees_of_freedom else ""
        yield SizeRow(
            quantity_words(one.name),
            size_words(one, unit),
            f"k = {one.coverage_factor:.2f}{degrees}",
            f"{low.rsplit(' ', 1)[0]} to {high}",
            _BOUNDS[one.bound],
        )


def limit_rows(
    verdict: FindingVerdictDocument | None, book: LimitsDocument | None, unit: LengthUnit
) -> Iterator[LimitRow]:
    """Write every rule that a verdict rests on, with its place in the manual."""
    sources = _sources(book)
    for one in (verdict.by if verdict else None) or ():
        boundary = BOUNDARIES.get(one.boundary or "", (one.boundary or "").replace("_", " "))
        limit = f"{boundary} {_length(one, one.limit, unit)}" if one.limit is not None else boundary
        probability = one.conformance_probability
        yield LimitRow(
            one.rule,
            sources.get(one.rule, book.source if book else ""),
            quantity_words(one.quantity) if one.quantity else "",
            limit.strip(),
            _length(one, one.acceptance_limit, unit) if one.acceptance_limit is not None else "",
            _percent(probability) if probability is not None else "",
        )


def budget_rows(result: FindingResultDocument, unit: LengthUnit) -> Iterator[BudgetRow]:
    """Write where each quantity's uncertainty comes from, as standard uncertainties."""
    for one in result.quantities or ():
        parts = [
            (
                part.source,
                value_like(part.standard_uncertainty, 2 * part.standard_uncertainty, one.unit, unit),
            )
            for part in one.budget
        ]
        total = value_like(one.standard_uncertainty, 2 * one.standard_uncertainty, one.unit, unit)
        yield BudgetRow(quantity_words(one.name), (*parts, ("together", total)), tuple(one.not_included))


def _sources(book: LimitsDocument | None) -> Mapping[str, str]:
    if book is None:
        return {}
    tables: Iterable[object] = (*(book.rule or ()), *(book.count or ()), *(book.never or ()))
    found = {str(getattr(one, "id", "")): getattr(one, "source", None) for one in tables}
    return {name: f"{book.source}, {source}" for name, source in found.items() if source}


def _length(one: GroundDocument, value: float, unit: LengthUnit) -> str:
    """Write a limit in the unit of its rule, with the reader's beside it where that is another."""
    stated = f"{value:.4g} {one.unit or ''}".strip()
    if one.unit not in {"mm", "in"} or one.unit == unit:
        return stated
    in_mm = value * MM_PER_INCH if one.unit == "in" else value
    shown, name = shown_in(in_mm, "mm", unit)
    return f"{stated} ({shown:.4g} {name})"


def _percent(probability: float) -> str:
    """Write a probability so that nearly sure never reads as sure."""
    if 0.9995 <= probability < 1:
        return "above 99.9 %"
    if 0 < probability < 0.0005:
        return "below 0.1 %"
    return f"{100 * probability:.1f} %"
