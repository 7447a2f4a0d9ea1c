"""Step: how far one flat face lies above another, and the angle between them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.measured import Measured
from fringewise.findings.combine import Touch, Variances, bound_of, combine
from fringewise.findings.face_points import (
    BoolArray,
    FacePoints,
    block_inflation,
    face_points,
    placed_again,
    some_of,
    unbiased_points,
)
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.sound.points import RayPoints
from fringewise.sound.shape import normals_on, points_on
from fringewise.sound.sheet import fit_sheet

_MARK_DRAWS: Final = 8
_UNEVEN: Final = 9.0
_TILTED_DEG: Final = 2.0


@dataclass(frozen=True, slots=True)
class _Patch:
    """Points of one face, and the area on it that each stands for (N,)."""

    points: RayPoints
    areas_mm2: Array

    def where(self, chosen: BoolArray) -> _Patch:
        return _Patch(self.points.where(chosen), self.areas_mm2[chosen])


@dataclass(frozen=True, slots=True)
class _Faces:
    """Two faces in a frame whose third axis is their common normal, towards the head.

    Attributes
    ----------
    axes : (3, 3) array
        Rows; the third is the normal.
    points_mm : (N, 3) array
        In the camera frame, the lower face's first.
    flat : (N, 2) array
        Coordinates along the first two axes, from the points' middle.
    heights_mm, sigma_mm : (N,) arrays
        Along the normal, and their u from frame noise.
    weights : (N,) array
        Area on the face that a point stands for, mm²: so that neither the view nor the nearness of a face
        has a say in the common normal.
    upper : (N,) bool
    """

    axes: Array
    points_mm: Array
    flat: Array
    heights_mm: Array
    sigma_mm: Array
    weights: Array
    upper: BoolArray

    @classmethod
    def of(cls, lower: _Patch, upper: _Patch) -> _Faces:
        """Fit one normal to both: the direction of least scatter about each face's own middle."""
        clouds = [unbiased_points(lower.points), unbiased_points(upper.points)]
        weights = [lower.areas_mm2, upper.areas_mm2]
        middles = [np.average(cloud, axis=0, weights=w) for cloud, w in zip(clouds, weights, strict=True)]
        joined = np.vstack([cloud - middle for cloud, middle in zip(clouds, middles, strict=True)])
        points, weight = np.vstack(clouds), np.concatenate(weights)
        axes: Array = np.linalg.eigh((joined * weight[:, None]).T @ joined)[1].T[::-1].copy()
        middle = points.mean(axis=0)
        if axes[2] @ middle > 0:  # the normal looks back at the head
            axes[2] = -axes[2]
        off = (points - middle) @ axes.T
        ways = points / np.linalg.norm(points, axis=1, keepdims=True)
        sigma = np.concatenate([patch.points.range_sigma_mm for patch in (lower, upper)])
        sigma *= np.abs(ways @ axes[2])
        is_upper = np.arange(len(points)) >= len(clouds[0])
        return cls(axes, points, off[:, :2], off[:, 2], sigma, weight, is_upper)

    def solve(self, design: Array) -> tuple[Array, Array, Array]:
        """Least squares: terms, how they follow the heights (K, N), and their covariance from noise."""
        weighed = design * self.weights[:, None]
        by_height: Array = np.linalg.solve(weighed.T @ design, weighed.T).astype(np.float64)
        terms = by_height @ self.heights_mm
        covariance = (by_height * self.sigma_mm**2) @ by_height.T
        return terms, by_height, np.asarray(covariance)

    @property
    def step_design(self) -> Array:
        """One slope for both faces, an offset for each."""
        return np.column_stack([self.flat, ~self.upper, self.upper])

    @property
    def tilt_design(self) -> Array:
        """Slope and offset of each face of its own."""
        own = np.column_stack([self.flat, np.ones(len(self.flat))])
        return np.hstack([own * (~self.upper)[:, None], own * self.upper[:, None]])


def _areas(look: Look, points: RayPoints) -> Array:
    """Area (N,) on a flat face that each pixel sees, mm²: z³ dx dy / d for a plane at the distance d."""
    half = 0.5
    ahead, behind = (look.rays.direction(points.u + way, points.v) for way in (half, -half))
    below, above = (look.rays.direction(points.u, points.v + way) for way in (half, -half))
    by_u, by_v = np.subtract(ahead, behind), np.subtract(below, above)
    size = np.abs(by_u[0] * by_v[1] - by_u[1] * by_v[0])
    plane = fit_sheet(points, 1)
    on_plane = points_on(plane, points.x, points.y)
    away = np.abs(on_plane.mean(axis=0) @ normals_on(plane, points.x[:1], points.y[:1])[0])
    return np.asarray(size * on_plane[:, 2] ** 3 / away)


_STEP_ROW: Final = np.array([0.0, 0.0, -1.0, 1.0])
_TILT_ROWS: Final = np.array([[-1.0, 0, 0, 1, 0, 0], [0, -1.0, 0, 0, 1, 0]])


def measure_step(look: Look, finding: Finding) -> FindingResult:
    """Measure a step between two patches (format 3, ``step``): positive when `upper` is nearer the head.

    Raises
    ------
    NotMeasurable
        Where too little of a patch was seen.
    """
    lower, upper = (face_points(look, finding.marks[name]) for name in ("lower_px", "upper_px"))
    low, high = (_Patch(face.points, _areas(look, face.points)) for face in (lower, upper))
    faces = _Faces.of(low.where(lower.inside), high.where(upper.inside))
    design = faces.step_design
    terms, by_height, covariance = faces.solve(design)
    rest = (faces.heights_mm - design @ terms) / faces.sigma_mm
    own_terms, own_by_height, own_covariance = faces.solve(faces.tilt_design)
    own_rest = (faces.heights_mm - faces.tilt_design @ own_terms) / faces.sigma_mm
    inflation = max(
        block_inflation(patch.own, own_rest[faces.upper == is_upper], 3)
        for patch, is_upper in ((lower, False), (upper, True))
    )
    marks_step, marks_tilt = _marks_variances(look, finding, (lower, low), (upper, high))
    noise = float(_STEP_ROW @ covariance @ _STEP_ROW)
    variances = Variances(noise, marks_step, (inflation - 1) * noise)
    touch = _touch(faces, _STEP_ROW @ by_height)
    value = float(_STEP_ROW @ terms)
    step = combine("step", "mm", value, variances, surface=look.surface, touch=touch)
    tilt = _tilt(look, faces, (own_terms, own_by_height, own_covariance), inflation, marks_tilt)
    bound = bound_of(finding)
    quantities = (step.with_bound(bound), tilt)
    lines = tuple(np.vstack([patch.outline_px, patch.outline_px[:1]]) for patch in (lower, upper))
    said = _warnings(lower, upper, inflation, tilt, float(np.mean(rest**2)))
    return FindingResult(finding, quantities, "", said, Drawing((), lines))


def _tilt(
    look: Look, faces: _Faces, solved: tuple[Array, Array, Array], inflation: float, marks: float
) -> Measured:
    """The angle between the faces' own planes; what noise alone makes of parallel faces is taken off."""
    terms, by_height, covariance = solved
    lean = _TILT_ROWS @ terms
    spread = _TILT_ROWS @ covariance @ _TILT_ROWS.T
    square = float(lean @ lean) - inflation * float(np.trace(spread))
    angle = float(np.degrees(np.sqrt(max(square, 0.0))))
    way = lean / max(float(np.linalg.norm(lean)), 1e-15)
    noise = float(np.degrees(1.0)) ** 2 * float(way @ spread @ way)
    touch = _touch(faces, float(np.degrees(1.0)) * way @ _TILT_ROWS @ by_height)
    variances = Variances(noise, marks, (inflation - 1) * noise)
    made = combine("tilt_deg", "deg", angle, variances, surface=look.surface, touch=touch)
    low, high = made.interval_95
    return replace(made, interval=(0.0, high)) if low < 0 else made


def _marks_variances(
    look: Look, finding: Finding, lower: tuple[FacePoints, _Patch], upper: tuple[FacePoints, _Patch]
) -> tuple[float, float]:
    """Variances of step (mm²) and tilt (deg²) as the outlines are placed again and again."""
    if finding.placing_px == 0:
        return 0.0, 0.0
    found = []
    for _ in range(_MARK_DRAWS):
        moved = (patch.where(placed_again(look, face, finding.placing_px)) for face, patch in (lower, upper))
        faces = _Faces.of(*moved)
        lean = _TILT_ROWS @ faces.solve(faces.tilt_design)[0]
        found.append([_STEP_ROW @ faces.solve(faces.step_design)[0], np.degrees(np.linalg.norm(lean))])
    step, tilt = np.var(np.array(found), axis=0, ddof=1)
    return float(step), float(tilt)


def _touch(faces: _Faces, by_height: Array) -> Touch:
    """Where a size that follows the heights by this row (N,) is taken, from some points of each face."""
    touch: Touch | None = None
    for face in (False, True):
        own = np.flatnonzero(faces.upper == face)
        chosen, stands_for = some_of(len(own))
        some = own[chosen]
        part = by_height[some] * stands_for
        one = Touch.at(faces.points_mm[some], part[:, None] * faces.axes[2], decoded=False)
        touch = one if touch is None else touch.and_at(one)
    assert touch is not None
    return touch


def _warnings(
    lower: FacePoints, upper: FacePoints, inflation: float, tilt: Measured, misfit2: float
) -> tuple[str, ...]:
    said = []
    for patch, name in ((lower, "lower"), (upper, "upper")):
        if patch.seen < 0.9:
            said.append(f"{100 * (1 - patch.seen):.0f} % of the {name} patch has no surface to trust")
    if inflation > _UNEVEN or misfit2 > _UNEVEN:
        said.append("the patches are not flat, or not parallel: the step is that between their mean planes")
    elif tilt.value > _TILTED_DEG:
        said.append("the faces lean towards each other: the step holds between the middles of the patches")
    return tuple(said)


KIND: Final = Kind(
    "step",
    (
        QuantityMeaning(
            "step", "mm", "distance between parallel planes through both; positive: upper is nearer"
        ),
        QuantityMeaning("tilt_deg", "deg", "angle between planes fitted to each face on its own"),
    ),
    measure_step,
)
