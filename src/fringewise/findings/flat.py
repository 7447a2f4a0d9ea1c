"""Flat: how far a face ranges about its least-squares plane, after a filter that is named."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.findings.combine import bound_of
from fringewise.findings.face_form import FaceFit, form_of_face, marks_variances, range_quantity, rms_quantity
from fringewise.findings.face_points import FacePoints, face_points
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning


def measure_flat(look: Look, finding: Finding) -> FindingResult:
    """Measure the flatness of an outlined face (format 3, ``flat``).

    The plane is fitted to all points inside as they were measured; the distances are filtered afterwards.

    Raises
    ------
    NotMeasurable
        Where too little of the face was seen.
    """
    face = face_points(look, finding.marks["outline_px"])
    fit = _plane_fit(face)
    form = form_of_face(look, fit)
    bound = bound_of(finding)
    in_range, in_rms = marks_variances(look, finding, fit, form)
    quantities = (
        range_quantity(look, fit, form, "flatness", in_range).with_bound(bound),
        rms_quantity(look, fit, form, "rms", in_rms).with_bound(bound),
    )
    return FindingResult(finding, quantities, "", face_words(face, form.in_words()), outline_drawing(face))


def face_words(face: FacePoints, *words: str) -> tuple[str, ...]:
    """What is said beside the numbers of a face: these words, and how much of it was seen."""
    if face.seen >= 0.9:
        return words
    return (*words, f"{100 * (1 - face.seen):.0f} % of the inside has no surface that can be trusted")


def outline_drawing(face: FacePoints) -> Drawing:
    """The face's outline, closed."""
    return Drawing((), (np.vstack([face.outline_px, face.outline_px[:1]]),))


def _plane_fit(face: FacePoints) -> FaceFit:
    """Heights over the plane of least scatter, with the slopes and the offset that are free."""
    points = face.xyz_mm
    off = points - points[face.inside].mean(axis=0)
    own = off[face.inside]
    axes: Array = np.linalg.eigh(own.T @ own)[1].T[::-1]
    normal = -axes[2] if axes[2] @ points[0] > 0 else axes[2]
    design = np.column_stack([off @ axes[:2].T, np.ones(len(off))])
    return FaceFit.of(face, np.broadcast_to(normal, points.shape), design, off @ normal)


KIND: Final = Kind(
    "flat",
    (
        QuantityMeaning("flatness", "mm", "range of the filtered distances from the least-squares plane"),
        QuantityMeaning("rms", "mm", "root of the mean square of these distances"),
    ),
    measure_flat,
)
