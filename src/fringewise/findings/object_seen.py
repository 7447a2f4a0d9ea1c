"""Object: a foreign object, and how long it is where its two ends are marked."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.findings.combine import bound_of
from fringewise.findings.distance import close_ends_warning, straight_between
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.marks import Place, drawn_places, marks_on_metal

SEEN_ONLY: Final = "the object is kept as seen and has no size: mark its two ends to measure it"

_UNEVEN: Final = 4.0


def measure_object(look: Look, finding: Finding) -> FindingResult:
    """Measure a foreign object from end to end where its ends are marked (format 3, ``object``).

    Raises
    ------
    NotMeasurable
        Where the surface at an end can't be told.
    """
    marks = finding.marks.get("ends_px")
    if marks is None:
        return FindingResult(finding, (), SEEN_ONLY)
    marks_on_metal(look.surface, marks)
    places, drawn = drawn_places(look, marks, finding.placing_px, draws=finding.draws_marks)
    straight = straight_between(look, places, "straight").with_bound(bound_of(finding))
    line = np.array([one.uv_px for one in places])
    said = (*close_ends_warning(places), *_uneven(places))
    return FindingResult(finding, (straight,), "", said, Drawing(tuple(drawn), (line,)))


def _uneven(places: list[Place]) -> tuple[str, ...]:
    """Say so where an end's surroundings are not one smooth surface: object and background meet there."""
    if all(one.model <= _UNEVEN * one.noise for one in places):
        return ()
    return ("the surface at an end is not smooth: set the mark a little inside the object's outline",)


KIND: Final = Kind(
    "object",
    (QuantityMeaning("straight", "mm", "straight distance through space between the object's two ends"),),
    measure_object,
)
