"""Crack: the length of its dark line along the surface between its end marks, and from end to end."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.measured import Bound, Measured
from fringewise.findings.combine import Variances, bound_of, combine
from fringewise.findings.dark_line import DarkLine, follow_dark_line
from fringewise.findings.finding import Drawing, DrawnMark, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.line_on_surface import LineOnSurface, lay_line
from fringewise.findings.path import marked_line, path_marks, path_quantities
from fringewise.sound.shape import points_on

VISIBLE_ONLY: Final = "Visible length; the crack may be longer."
BEYOND_VIEW: Final = "definition: where the crack ends beyond what can be seen"

_LIPS: Final = 0.75
_LIPS_PX: Final = 1.5
_STEP_PX: Final = 0.5


def measure_crack(look: Look, finding: Finding) -> FindingResult:
    """Measure a crack along its dark line (format 3, ``crack``); along the marks' joins where there is none.

    Marks are moved across the line only, never along it.

    Raises
    ------
    NotMeasurable
        Where the surface along it doesn't carry a length.
    """
    marks = path_marks(look, finding)
    dark = follow_dark_line(look.photo, marks) if look.photo is not None and finding.draws_marks else None
    said = [VISIBLE_ONLY]
    if dark is None:
        line = marked_line(look, marks)
        quantities = path_quantities(look, finding, marks, line)
        if finding.draws_marks:
            said.append(
                "no dark line was found along the marks: the length follows the marks as they were placed"
            )
        drawing = Drawing((), (np.column_stack(look.rays.pixel(*line.directions.T)),))
    else:
        line = lay_line(look, dark.line_px, skipped_px=_LIPS * dark.width_px + _LIPS_PX)
        quantities = _along_dark_line(look, finding, dark, line)
        said.extend(_of_line(dark, line, marks))
        drawing = Drawing(_drawn(dark, marks), (dark.line_px,))
    bound = _bound(finding)
    made = tuple(
        replace(one.with_bound(bound), not_included=(*one.not_included, BEYOND_VIEW)) for one in quantities
    )
    return FindingResult(finding, made, "", tuple(said), drawing)


def _along_dark_line(
    look: Look, finding: Finding, dark: DarkLine, line: LineOnSurface
) -> tuple[Measured, Measured]:
    """Length and end to end; the marks' doubt acts along the line at its ends, the line's own across it."""
    across = _moved(look, line, dark.line_px, dark.normals)
    sides = np.diff(dark.line_px, axis=0)[[0, -1]]
    along = _moved(look, line, dark.line_px[[0, -1]], sides / np.linalg.norm(sides, axis=1, keepdims=True))
    made = []
    for name, value, gradient in (
        ("length", line.length_mm * (1 + dark.lengthening), line.length_gradient),
        ("end_to_end", line.end_to_end_mm, line.ends_gradient),
    ):
        noise, misfit = line.variances(gradient)
        row = np.einsum("ni,ni->n", gradient, across) @ dark.terms
        noise += float(row @ dark.covariance @ row)
        by_end = np.einsum("ni,ni->n", gradient[[0, -1]], along)
        marks = float(np.sum((finding.placing_px * by_end) ** 2))
        definition = (dark.lengthening * value) ** 2 if name == "length" else 0.0
        variances = Variances(noise, marks, misfit, definition)
        made.append(combine(name, "mm", value, variances, surface=look.surface, touch=line.touch(gradient)))
    return made[0], made[1]


def _moved(look: Look, line: LineOnSurface, at_px: Array, ways: Array) -> Array:
    """How points (N, 3) of the surface move for a pixel along unit directions (N, 2) on the photo."""
    ahead = look.rays.direction(*(at_px + _STEP_PX * ways).T)
    behind = look.rays.direction(*(at_px - _STEP_PX * ways).T)
    return (points_on(line.shape, *ahead) - points_on(line.shape, *behind)) / (2 * _STEP_PX)


def _bound(finding: Finding) -> Bound:
    if finding.reaches_edge == "yes":
        return "at_least"
    return bound_of(finding, open_by_nature=True)


def _of_line(dark: DarkLine, line: LineOnSurface, marks_px: Array) -> list[str]:
    moved = float(np.linalg.norm(dark.feet_px - marks_px, axis=1).max())
    said = [f"the marks were moved across the dark line onto it, by up to {moved:.1f} pixels"]
    if dark.seen < 0.9:
        said.append(f"the dark line stands out along {100 * dark.seen:.0f} % of the crack only")
    if dark.width_px > 0:
        scale = line.length_mm / float(np.linalg.norm(np.diff(dark.line_px, axis=0), axis=1).sum())
        width = dark.width_px * scale
        said.append(f"the dark line is about {width:.2f} mm ({dark.width_px:.1f} pixels) wide")
    return said


def _drawn(dark: DarkLine, marks_px: Array) -> tuple[DrawnMark, ...]:
    sigma = float(np.median(dark.across_sigma_px))
    return tuple(
        DrawnMark((float(mark[0]), float(mark[1])), (float(foot[0]), float(foot[1])), "dark line", sigma)
        for mark, foot in zip(marks_px, dark.feet_px, strict=True)
    )


KIND: Final = Kind(
    "crack",
    (
        QuantityMeaning(
            "length", "mm", "length of its dark line along the surface, between first and last mark"
        ),
        QuantityMeaning("end_to_end", "mm", "straight distance between the two ends of that line"),
    ),
    measure_crack,
)
