"""Offset: how far a place on the metal lies from the endless straight line through two others."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.findings.blocks import Wanted
from fringewise.findings.combine import Touch, bound_of
from fringewise.findings.distance import close_ends_warning
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.marks import marks_on_metal, place
from fringewise.findings.placed_sizes import size_of_places


def measure_offset(look: Look, finding: Finding) -> FindingResult:
    """Measure an offset (format 3, ``offset``): perpendicular distance from a line in space, 0 or more."""
    marks = np.vstack([finding.marks["line_px"], finding.marks["point_px"]])
    marks_on_metal(look.surface, marks)
    places = [place(look, mark, finding.placing_px) for mark in marks]
    first, second, third = (one.point_mm for one in places)
    length = float(np.linalg.norm(second - first))
    if length == 0:
        raise NotMeasurable("both marks of the line lie on the same place")
    direction = (second - first) / length
    along = float((third - first) @ direction)
    aside = third - first - along * direction
    value = float(np.linalg.norm(aside))
    square = aside / value if value > 0 else np.linalg.svd(direction[None, :])[2][1]
    share = along / length
    gradients = np.vstack([-(1 - share) * square, -share * square, square])
    touch = Touch(np.array([first, second, third]), gradients, np.ones(3, dtype=bool))
    wanted = Wanted("offset", "mm", touch, least=0.0)
    made = size_of_places(look, places, _offsets, wanted, gradients=gradients)
    warnings = list(close_ends_warning(places))
    if not 0 <= share <= 1:
        warnings.append("the point lies beyond the ends of the line: its doubt grows with the distance")
    if value < made.expanded_uncertainty:
        warnings.append("the offset is no greater than its uncertainty")
    lines = (marks[:2], marks[2:])
    drawing = Drawing((), lines)
    return FindingResult(finding, (made.with_bound(bound_of(finding)),), "", tuple(warnings), drawing)


def _offsets(points_mm: Array) -> Array:
    """Distance (count,) of the third of points (count, 3, 3) from the line through the first two."""
    line = points_mm[:, 1] - points_mm[:, 0]
    across = np.cross(line, points_mm[:, 2] - points_mm[:, 0])
    return np.asarray(np.linalg.norm(across, axis=1) / np.linalg.norm(line, axis=1))


KIND: Final = Kind(
    "offset",
    (QuantityMeaning("offset", "mm", "perpendicular distance in space from the endless straight line"),),
    measure_offset,
)
