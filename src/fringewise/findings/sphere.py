"""Sphere: the diameter of the least-squares sphere through a part of a ball, and its form."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.fits import Ball, fit_sphere
from fringewise.core.measured import Measured
from fringewise.findings.combine import Variances, bound_of, combine
from fringewise.findings.face_form import FaceFit, form_of_face, marks_variances, range_quantity
from fringewise.findings.face_points import FacePoints, face_points
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.flat import face_words, outline_drawing
from fringewise.findings.kind import Kind, Look, QuantityMeaning

_MARK_DRAWS: Final = 8
_DIAMETER_ROW: Final = np.array([0.0, 0.0, 0.0, 2.0])
_LEAST_CAP: Final = 0.02
_SMALL_CAP_DEG: Final = 20.0


def measure_sphere(look: Look, finding: Finding) -> FindingResult:
    """Measure a ball from an outlined part of it (format 3, ``sphere``).

    Centre and radius are free and all points inside count alike; the smaller the cap, the less it says of the
    radius: for a half angle of 60° the radius scatters 5 times as much as one point would over √N, for 30°
    24 times, for 20° 56 times.

    Raises
    ------
    NotMeasurable
        Where too little was seen, or the face is too flat to be a part of a ball.
    """
    face = face_points(look, finding.marks["outline_px"])
    ball = _ball(face)
    fit = sphere_fit(face, ball)
    form = form_of_face(look, fit)
    bound = bound_of(finding)
    diameter = _diameter(look, finding, fit, ball)
    in_range, _ = marks_variances(look, finding, fit, form)
    quantities = (
        diameter.with_bound(bound),
        range_quantity(look, fit, form, "form", in_range).with_bound(bound),
    )
    said = [form.in_words()]
    cap = _cap_deg(face, ball)
    if cap < _SMALL_CAP_DEG:
        said.append(f"a cap of {cap:.0f}° half angle says little of the diameter: outline more of the ball")
    return FindingResult(finding, quantities, "", face_words(face, *said), outline_drawing(face))


def sphere_fit(face: FacePoints, ball: Ball) -> FaceFit:
    """The last step of the fit: how distances follow the centre (three terms) and the radius (the fourth)."""
    off = face.xyz_mm - ball.centre
    distance = np.linalg.norm(off, axis=1)
    outward = off / distance[:, None]
    design = np.column_stack([outward, np.ones(len(off))])
    return FaceFit.of(face, outward, design, distance - ball.radius)


def pull_of_noise(fit: FaceFit, radius_mm: float) -> Array:
    """How far noise along the rays pulls centre and radius (4,) on average: a few micrometres for small caps.

    A point moved along its ray r by ε is seen by the fit with a normal turned by ε τ/R, τ = r − (r·n) n, and
    at the distance (r·n) ε + |τ|² ε²/(2R). Both go with ε², and don't average out: with rows J = (n, 1) the
    fit is off by (JᵀJ)⁻¹ Σ σ² [J |τ|²/(2R) + (τ (r·n)/R, 0)].
    """
    inside = fit.face.inside
    points, outward = fit.face.xyz_mm[inside], fit.normals[inside]
    rays = points / np.linalg.norm(points, axis=1, keepdims=True)
    facing = np.einsum("ni,ni->n", rays, outward)
    aside = rays - facing[:, None] * outward
    variance = fit.face.points.range_sigma_mm[inside] ** 2
    design = fit.design[inside]
    pull = design * (np.sum(aside**2, axis=1) / (2 * radius_mm))[:, None]
    pull[:, :3] += aside * (facing / radius_mm)[:, None]
    return np.asarray(np.linalg.solve(design.T @ design, variance @ pull))


def _ball(face: FacePoints) -> Ball:
    ball = fit_sphere(face.xyz_mm[face.inside])
    extent = float(np.linalg.norm(np.ptp(face.own.xyz_mm, axis=0)))
    if not ball.radius * _LEAST_CAP < extent:
        raise NotMeasurable("the outlined face is too flat to be a part of a ball: outline more of it")
    if float(np.linalg.norm(ball.centre)) < float(np.linalg.norm(face.own.xyz_mm.mean(axis=0))):
        raise NotMeasurable("the outlined face is hollow: a sphere is measured from outside")
    return ball


def _cap_deg(face: FacePoints, ball: Ball) -> float:
    """Half angle of the outlined cap, about."""
    off = face.own.xyz_mm - ball.centre
    off /= np.linalg.norm(off, axis=1, keepdims=True)
    middle = off.mean(axis=0) / np.linalg.norm(off.mean(axis=0))
    return float(np.degrees(np.arccos(np.clip(np.quantile(off @ middle, 0.02), -1, 1))))


def _diameter(look: Look, finding: Finding, fit: FaceFit, ball: Ball) -> Measured:
    value = 2 * (ball.radius + float(fit.terms[3])) - float(_DIAMETER_ROW @ pull_of_noise(fit, ball.radius))
    noise = float(_DIAMETER_ROW @ fit.noise_covariance @ _DIAMETER_ROW)
    marks = 0.0
    if finding.placing_px > 0:
        again = [fit.placed_again(look, finding.placing_px)[0] @ _DIAMETER_ROW for _ in range(_MARK_DRAWS)]
        marks = float(np.var(again, ddof=1))
    row: Array = np.zeros(len(fit.values_mm))
    row[fit.face.inside] = _DIAMETER_ROW @ fit.by_value
    variances = Variances(noise, marks, (fit.inflation - 1) * noise)
    return combine("diameter", "mm", value, variances, surface=look.surface, touch=fit.touch(row))


KIND: Final = Kind(
    "sphere",
    (
        QuantityMeaning("diameter", "mm", "diameter of the free least-squares sphere"),
        QuantityMeaning("form", "mm", "range of the filtered radial distances to it"),
    ),
    measure_sphere,
)
