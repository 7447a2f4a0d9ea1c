"""Form of a face about a shape fitted to it by least squares: range and scatter of its filtered distances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.measured import Measured
from fringewise.findings.combine import Touch, combine
from fringewise.findings.face_points import BoolArray, FacePoints, block_inflation, placed_again, some_of
from fringewise.findings.finding import Finding
from fringewise.findings.form import Form, form_of
from fringewise.findings.kind import Look

_MARK_DRAWS: Final = 8


@dataclass(frozen=True, slots=True)
class FaceFit:
    """A shape fitted to the points inside: distances = values − design · terms, the last step of it linear.

    Attributes
    ----------
    face : FacePoints
    normals : (N, 3) array
        Along which the distances run.
    design : (N, K) array
    values_mm, sigma_mm : (N,) arrays
        With their u from frame noise.
    terms : (K,) array
    by_value : (K, n) array
        How the terms follow the values of the points inside.
    """

    face: FacePoints
    normals: Array
    design: Array
    values_mm: Array
    sigma_mm: Array
    terms: Array
    by_value: Array

    @classmethod
    def of(cls, face: FacePoints, normals: Array, design: Array, values_mm: Array) -> FaceFit:
        """Fit by least squares, all points inside alike."""
        points = face.xyz_mm
        rays = points / np.linalg.norm(points, axis=1, keepdims=True)
        sigma = face.points.range_sigma_mm * np.abs(np.einsum("ni,ni->n", rays, normals))
        terms, by_value = _solved(design[face.inside], values_mm[face.inside])
        return cls(face, normals, design, values_mm, sigma, terms, by_value)

    @property
    def distances_mm(self) -> Array:
        """Signed distances (N,) of all points, those round the inside too."""
        return np.asarray(self.values_mm - self.design @ self.terms)

    @property
    def noise_covariance(self) -> Array:
        """Covariance (K, K) of the terms from frame noise."""
        return np.asarray((self.by_value * self.sigma_mm[self.face.inside] ** 2) @ self.by_value.T)

    @property
    def inflation(self) -> float:
        """How many times larger the variance of block means is than noise explains."""
        inside = self.face.inside
        rest = (self.distances_mm / self.sigma_mm)[inside]
        return block_inflation(self.face.own, rest, len(self.terms))

    def placed_again(self, look: Look, placing_px: float) -> tuple[Array, BoolArray]:
        """Terms and the points inside with the outline placed again."""
        inside = placed_again(look, self.face, placing_px)
        design = self.design[inside]
        terms = np.linalg.solve(design.T @ design, design.T @ self.values_mm[inside])
        return np.asarray(terms), inside

    def touch(self, row: Array) -> Touch:
        """Where a size is taken that follows the values (N,) by this row: its largest shares, some others."""
        used = np.flatnonzero(row)
        large = used[np.argsort(-np.abs(row[used]))[:2]]
        rest = used[~np.isin(used, large, kind="sort")]
        points = self.face.xyz_mm
        touch = Touch.at(points[large], row[large, None] * self.normals[large], decoded=False)
        if len(rest) == 0:
            return touch
        chosen, stands_for = some_of(len(rest))
        some = rest[chosen]
        share = row[some, None] * stands_for * self.normals[some]
        return touch.and_at(Touch.at(points[some], share, decoded=False))


def form_of_face(look: Look, fit: FaceFit) -> Form:
    """Filter the distances of a face from the shape fitted to it."""
    return form_of(fit.face.points, fit.distances_mm, fit.sigma_mm, fit.face.inside, look.rng)


def range_quantity(look: Look, fit: FaceFit, form: Form, name: str, marks: float) -> Measured:
    """The range of the filtered distances as a quantity; `marks` is its variance from placing the outline."""
    low, high = form.extremes
    touch = fit.touch(_row_of(fit, {high: 1.0, low: -1.0}))
    variances = form.range_variances(fit.inflation).with_marks(marks)
    return combine(name, "mm", form.range_mm, variances, surface=look.surface, touch=touch)


def rms_quantity(look: Look, fit: FaceFit, form: Form, name: str, marks: float) -> Measured:
    """The root of the mean square of the filtered distances as a quantity, likewise."""
    known = np.flatnonzero(np.isfinite(form.filtered_mm))
    filtered = form.filtered_mm[known] - form.filtered_mm[known].mean()
    row = np.zeros(len(form.filtered_mm))
    row[known] = filtered / max(form.count * float(filtered.std()), 1e-12)
    variances = form.rms_variances(fit.inflation).with_marks(marks)
    return combine(name, "mm", form.rms_mm, variances, surface=look.surface, touch=fit.touch(row))


def marks_variances(look: Look, finding: Finding, fit: FaceFit, form: Form) -> tuple[float, float]:
    """Variances of range and scatter of the filtered distances as the outline is placed again and again.

    The filter's result is kept; what changes are the shape and which points count.
    """
    if finding.placing_px == 0:
        return 0.0, 0.0
    sizes = []
    for _ in range(_MARK_DRAWS):
        terms, inside = fit.placed_again(look, finding.placing_px)
        moved = form.filtered_mm - fit.design @ (terms - fit.terms)
        counted = moved[inside & np.isfinite(moved)]
        sizes.append((float(np.ptp(counted)), float(counted.std())))
    in_range, in_rms = np.var(np.array(sizes), axis=0, ddof=1)
    return float(in_range), float(in_rms)


def _solved(design: Array, values: Array) -> tuple[Array, Array]:
    by_value: Array = np.linalg.solve(design.T @ design, design.T).astype(np.float64)
    return by_value @ values, by_value


def _row_of(fit: FaceFit, shares: dict[int, float]) -> Array:
    """How a sum of distances follows the values, the fit's own turning with them included."""
    row, inside = np.zeros(len(fit.values_mm)), fit.face.inside
    for point, share in shares.items():
        row[inside] -= share * (fit.design[point] @ fit.by_value)
        row[point] += share
    return row
