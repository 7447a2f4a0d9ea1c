"""Path: the length of a marked line along the surface, and straight from end to end."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import MarksAtFault
from fringewise.core.measured import Measured
from fringewise.findings.combine import Variances, bound_of, combine
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.line_on_surface import LineOnSurface, lay_line, lengths_of
from fringewise.findings.marks import marks_on_metal, straight_line

_LINE_POINTS: Final = 640
_SIDE_POINTS: Final = (2, 32)
_DRAWS: Final = 128
_EXCESS_DOUBT: Final = 0.5


def measure_path(look: Look, finding: Finding) -> FindingResult:
    """Measure along a path of marks joined by lines that are straight in the undistorted image.

    Raises
    ------
    NotMeasurable
        Where the surface along it doesn't carry a length.
    """
    marks = path_marks(look, finding)
    line = marked_line(look, marks)
    quantities = path_quantities(look, finding, marks, line)
    return FindingResult(finding, quantities, "", (), Drawing((), (_pixels(look, line),)))


def path_marks(look: Look, finding: Finding) -> Array:
    """Give the path's marks (N, 2), checked: on metal, and not all in one place.

    Raises
    ------
    MarksAtFault
        With what is wrong with them.
    """
    marks = finding.marks["path_px"]
    marks_on_metal(look.surface, marks)
    if np.linalg.norm(np.diff(marks, axis=0), axis=1).sum() < 2.0:
        raise MarksAtFault("all marks of the path lie on the same place")
    return marks


def marked_line(look: Look, marks_px: Array) -> LineOnSurface:
    """Lay the marks' joins on the smooth surface."""
    directions = joined(look, marks_px)
    return lay_line(look, np.column_stack(look.rays.pixel(directions[:, 0], directions[:, 1])))


def path_quantities(
    look: Look, finding: Finding, marks_px: Array, line: LineOnSurface
) -> tuple[Measured, Measured]:
    """Length along the surface and end to end, with their doubt.

    A line through scattered marks is longer than the one meant: what placing the marks again and again adds
    on average, the person's own placing has added once.
    """
    values = np.array([line.length_mm, line.end_to_end_mm])
    drawn = _placed_again(look, line, marks_px, finding.placing_px)
    excess = drawn.mean(axis=1) - values
    marks = drawn.var(axis=1, ddof=1) + (_EXCESS_DOUBT * excess) ** 2
    made = []
    for n, (name, gradient) in enumerate(
        (("length", line.length_gradient), ("end_to_end", line.ends_gradient))
    ):
        noise, misfit = line.variances(gradient)
        variances = Variances(noise, float(marks[n]), misfit)
        one = combine(
            name, "mm", values[n] - excess[n], variances, surface=look.surface, touch=line.touch(gradient)
        )
        made.append(one.with_bound(bound_of(finding, open_by_nature=True)))
    return made[0], made[1]


def joined(look: Look, marks_px: Array) -> Array:
    """Directions (M, 2) of the marks' joins."""
    points = int(np.clip(_LINE_POINTS // max(len(marks_px) - 1, 1), *_SIDE_POINTS))
    return straight_line(look.rays, marks_px, closed=False, side_points=points)


def _placed_again(look: Look, line: LineOnSurface, marks_px: Array, placing_px: float) -> Array:
    """Both sizes (2, D) with the marks placed again and again: each draw and its mirror image."""
    offsets = look.rng.normal(0.0, placing_px, (_DRAWS // 2, *marks_px.shape))
    both = np.concatenate([offsets, -offsets])
    lines = np.array([joined(look, marks_px + offset) for offset in both])
    return np.array(lengths_of(line.shape, lines))


def _pixels(look: Look, line: LineOnSurface) -> Array:
    return np.column_stack(look.rays.pixel(line.directions[:, 0], line.directions[:, 1]))


KIND: Final = Kind(
    "path",
    (
        QuantityMeaning("length", "mm", "length along the smooth surface of the marks' joins"),
        QuantityMeaning("end_to_end", "mm", "straight distance between the first and the last mark"),
    ),
    measure_path,
)
