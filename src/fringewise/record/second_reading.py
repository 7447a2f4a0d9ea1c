"""A second reading beside the first: which findings both have, and which sizes disagree."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from fringewise.findings.documents import MARKS, FindingDocument, FindingsDocument
from fringewise.findings.result_documents import FindingResultDocument, QuantityDocument, ResultsDocument

PERSONS: Final = frozenset({"marks", "restored metal", "definition"})
"""Parts of a budget in which two readings of the same frames may differ; noise and calibration are shared."""

APART: Final = 2.0
"""Sizes disagree when they lie further apart than this many standard uncertainties of those parts."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Something on which two readings of a capture disagree, in words; ids are empty where one has none."""

    first: str
    second: str
    words: str


def disagreements(
    first: tuple[FindingsDocument, ResultsDocument], second: tuple[FindingsDocument, ResultsDocument]
) -> tuple[Disagreement, ...]:
    """Compare two readings of one capture: what was marked, and what was measured by it.

    A finding of the first belongs to the nearest of the second of the same kind, where the middles of their
    marks lie within each other's reach; each belongs to one at most.

    Parameters
    ----------
    first, second : (FindingsDocument, ResultsDocument)
    """
    pairs, alone = _matched(first[0], second[0])
    results = [{one.id: one for one in document.findings} for document in (first[1], second[1])]
    found: list[Disagreement] = []
    for one, other in pairs:
        found += _between(results[0].get(one), results[1].get(other), one, other)
    found += [Disagreement(name, "", f"{name} was marked in the first reading only") for name in alone[0]]
    found += [Disagreement("", name, f"{name} was marked in the second reading only") for name in alone[1]]
    return tuple(found)


def _between(
    one: FindingResultDocument | None, other: FindingResultDocument | None, first: str, second: str
) -> Iterator[Disagreement]:
    status = [result.status if result is not None else "not_measured" for result in (one, other)]
    if status[0] != status[1]:
        which = "first" if status[0] == "measured" else "second"
        yield Disagreement(first, second, f"{first} and {second}: measured in the {which} reading only")
        return
    sizes = {size.name: size for size in (other.quantities if other is not None else None) or ()}
    for size in (one.quantities if one is not None else None) or ():
        beside = sizes.get(size.name)
        if beside is None:
            continue
        apart, allowed = abs(size.value - beside.value), APART * math.hypot(_persons(size), _persons(beside))
        if apart > allowed:
            words = (
                f"{first} and {second}: {size.name} {size.value:.4g} and {beside.value:.4g} {size.unit} lie "
                f"{apart:.2g} {size.unit} apart, more than the {allowed:.2g} that marks and edges explain"
            )
            yield Disagreement(first, second, words)


def _persons(size: QuantityDocument) -> float:
    return math.sqrt(sum(line.standard_uncertainty**2 for line in size.budget if line.source in PERSONS))


def _matched(
    first: FindingsDocument, second: FindingsDocument
) -> tuple[list[tuple[str, str]], tuple[list[str], list[str]]]:
    ones = {one.id: _place(one) for one in first.findings}
    others = {one.id: _place(one) for one in second.findings}
    kinds = {one.id: one.kind for one in first.findings}
    near = sorted(
        (distance, a, b.id)
        for a, place in ones.items()
        for b in second.findings
        if b.kind == kinds[a]
        and (distance := math.dist(place[:2], others[b.id][:2])) <= max(place[2], others[b.id][2])
    )
    pairs: list[tuple[str, str]] = []
    for _, a, b in near:
        if a not in dict(pairs) and b not in {pair[1] for pair in pairs}:
            pairs.append((a, b))
    met = (dict(pairs), {b for _, b in pairs})
    return pairs, ([a for a in ones if a not in met[0]], [b for b in others if b not in met[1]])


def _place(finding: FindingDocument) -> tuple[float, float, float]:
    """Middle of a finding's marks, and how far they reach from it; endless far where there are none."""
    marks: Mapping[str, Any] = {rule.name: getattr(finding, rule.name) for rule in MARKS[finding.kind]}
    points = [point for some in marks.values() if some for point in some]
    if not points:
        return 0.0, 0.0, math.inf
    u = sum(point[0] for point in points) / len(points)
    v = sum(point[1] for point in points) / len(points)
    return u, v, max(10.0, *(math.dist((u, v), point) for point in points))
