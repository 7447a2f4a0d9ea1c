"""Clearance: the gap between a blade's edge and the casing that it faces."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.core.measured import Measured
from fringewise.findings.bitten import photo_pixels
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.combine import Touch, bound_of
from fringewise.findings.edge_damage import (
    ERODED_PX,
    direction_a_pixel,
    directions_of,
    drawn_to,
    metal_beside,
    thinned_points,
)
from fringewise.findings.edge_sizes import block_of
from fringewise.findings.finding import Drawing, DrawnMark, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.marks import marks_on_metal
from fringewise.findings.propagate import propagate
from fringewise.sound.edge import Curve, restore_edge
from fringewise.sound.metal import rim_between
from fringewise.sound.outline import Outline, trace_outline
from fringewise.sound.points import RayPoints, on_rays, ray_points
from fringewise.sound.polygon import window_round
from fringewise.sound.scenery import Scenery
from fringewise.sound.shape import feet, normals_on, points_on
from fringewise.sound.sheet import Sheet, pixel_numbers, restore_again, restore_sheet

DEFINITION_PX: Final = 0.06
"""How far the smooth edge as a whole may lie beside where its pixels' levels put it, standard."""

THIS_ROTOR: Final = (
    "the gap holds for this position of the rotor and for the length of edge between the marks"
)
GROOVE: Final = (
    "a rub groove facing the blade counts only where its floor was seen: mark the casing inside the groove"
)

_BEYOND_PX: Final = 25.0
_RING_PX: Final = 90.0
_MOST_POINTS: Final = 9_000
_BLADE_DEGREE: Final = 4
_CASING_DEGREE: Final = 3
_CLEAR_OF_EDGE_PX: Final = 5.0
_EDGE_POINTS: Final = 81
_LEAST_COSINE: Final = 0.12
_LEAST_CASING: Final = 300
_LEAST_WEIGHT: Final = 1e-6


@dataclass(frozen=True, slots=True)
class _Gap:
    """The smooth edge over a casing: M points along it.

    Attributes
    ----------
    curve : Curve
    blade, casing : Sheet
    edge_mm, feet_mm, away : (M, 3) arrays
        Points of the edge, nearest points of the casing, and unit directions from these to those.
    size_mm : (M,) array
    by_aside, by_blade, by_casing, by_pixel : (M, K) arrays, the last (M, 1)
        How the gap follows the curve's, the blade's and the casing's terms, and a pixel across the outline.
    weight : (M,) array
        Share of the edge's length.
    """

    curve: Curve
    blade: Sheet
    casing: Sheet
    edge_mm: Array
    feet_mm: Array
    away: Array
    size_mm: Array
    by_aside: Array
    by_blade: Array
    by_casing: Array
    by_pixel: Array
    weight: Array

    @property
    def least(self) -> int:
        """Where the gap is least."""
        return int(np.argmin(self.size_mm))


def measure_clearance(look: Look, finding: Finding) -> FindingResult:
    """Measure the gap from a blade's edge to the casing that it faces (format 3, ``clearance``).

    Raises
    ------
    NotMeasurable
        The edge or the casing can't be told, in words for the technician.
    """
    marks, patch = finding.marks["edge_px"], finding.marks["casing_px"]
    if len(patch) < 3:
        raise MarksAtFault("mark three places or more round a patch of the casing that faces the edge")
    marks_on_metal(look.surface, patch)
    rim = rim_between(look.surface, marks, _BEYOND_PX)
    near = metal_beside(rim, rim.pixels, ERODED_PX, _RING_PX)
    points = thinned_points(look, near, rim.corner, _MOST_POINTS)
    length = float(np.linalg.norm(marks[1] - marks[0]))
    blade = restore_sheet(points, patch_px=float(np.clip(0.3 * length, 12, 50)), highest_degree=_BLADE_DEGREE)
    casing, casing_points = _casing(look, marks, patch, blade)
    head = look.surface.head
    scenery = None if head is None else Scenery(look.surface, head, look.rays, blade, casing)
    outline = trace_outline(look.surface, rim, scenery=scenery)
    curve = _edge(look, outline)
    gap = _gap(look, outline, curve, blade, casing)
    quantities = tuple(one.with_bound(bound_of(finding)) for one in _quantities(look, gap))
    warnings = (THIS_ROTOR, GROOVE, *_warnings(gap, casing, casing_points))
    return FindingResult(finding, quantities, "", warnings, _drawing(look, marks, outline, gap))


def _casing(look: Look, marks: Array, patch: Array, blade: Sheet) -> tuple[Sheet, RayPoints]:
    """The casing through all of it that was seen between the patch and the edge, the blade left out."""
    hull = cv2.convexHull(np.vstack([patch, marks]).astype(np.float32))[:, 0].astype(np.float64)
    window = window_round(hull, 1.0, look.surface.shape)
    corner = (window.first_u, window.first_v)
    line = np.full(window.inside.shape, 255, dtype=np.uint8)
    cv2.polylines(line, [np.rint(marks - corner).astype(np.int32)], False, 0)
    clear = cv2.distanceTransform(line, cv2.DIST_L2, 5) > _CLEAR_OF_EDGE_PX
    points = ray_points(look.surface, window.inside & clear, top_left=corner)
    marked = window_round(patch, 1.0, look.surface.shape)
    inside = ray_points(look.surface, marked.inside, top_left=(marked.first_u, marked.first_v))
    if len(inside) < _LEAST_CASING:
        raise NotMeasurable(
            f"only {len(inside)} points of the marked casing can be used: mark more of it, or move nearer"
        )
    # what lies behind the blade's own sheet by less than its noise is blade
    behind = blade.inverse_depth(points.x, points.y) - points.inverse_depth > 6 * points.sigma
    low_u, high_u = inside.u.min(), inside.u.max()
    points = points.where(behind & (points.u >= low_u - 20) & (points.u <= high_u + 20))
    if len(points) < _LEAST_CASING:
        points = inside
    points = points.where(np.arange(0, len(points), max(1, -(-len(points) // _MOST_POINTS))))
    reach = float(np.linalg.norm(patch.mean(axis=0) - marks.mean(axis=0)))
    sheet = restore_sheet(points, patch_px=float(np.clip(reach, 15, 80)), highest_degree=_CASING_DEGREE)
    return _curved(points, sheet), points


def _curved(points: RayPoints, sheet: Sheet) -> Sheet:
    """The same sheet without the flat one among those averaged: a casing is round."""
    weights = np.array(sheet.degree_weights)
    weights[0] = 0.0
    if weights.sum() < _LEAST_WEIGHT:
        weights[1:] = 1.0
    like = replace(sheet, degree_weights=tuple((weights / weights.sum()).tolist()))
    made = restore_again(points, like, pixel_numbers(points.where(~sheet.kept)))
    # carried on to the edge, what a rounder or a wavier casing would do counts, whatever the patch prefers
    even = tuple([0.0] + [1 / (len(weights) - 1)] * (len(weights) - 1)) if len(weights) > 1 else (1.0,)
    alike = restore_again(
        points, replace(sheet, degree_weights=even), pixel_numbers(points.where(~sheet.kept))
    )
    doubt = np.maximum(1.0, sheet.inflation - 1) * made.noise_covariance + alike.model_covariance
    return replace(made, model_covariance=doubt)


def _edge(look: Look, outline: Outline) -> Curve:
    """The smooth edge through the single places between the marks."""
    used = np.arange(outline.first, outline.last + 1)
    used = used[np.isfinite(outline.sigma_px[used])]
    xy = directions_of(look, outline.raw_points_px[used])
    scale = direction_a_pixel(look, outline.line_px[used])
    gap = float(np.linalg.norm(xy[-1] - xy[0])) / 4
    return restore_edge(xy, xy[[0, -1]], outline.sigma_px[used] * scale, gap=gap)


def _gap(look: Look, outline: Outline, curve: Curve, blade: Sheet, casing: Sheet) -> _Gap:
    ends = directions_of(look, outline.line_px[[outline.first, outline.last]])
    start, stop = curve.coordinates(ends)[0]
    t = np.linspace(float(start), float(stop), _EDGE_POINTS)
    xy = curve.directions(t)
    edge = points_on(blade, xy[:, 0], xy[:, 1])
    foot_x, foot_y, size = feet(casing, edge)
    foot = points_on(casing, foot_x, foot_y)
    away = normals_on(casing, foot_x, foot_y)
    if np.median(size) < 0:
        raise NotMeasurable("the edge lies in the casing's own surface: mark the casing that faces the edge")
    step = 1e-6
    beside = xy + step * curve.aside
    by_aside = np.einsum("mi,mi->m", away, points_on(blade, *beside.T) - edge) / step
    by_depth = np.einsum("mi,mi->m", away, -edge * edge[:, 2:])
    by_foot = np.einsum("mi,mi->m", away, foot * foot[:, 2:])
    arc = np.linalg.norm(np.diff(edge, axis=0), axis=1)
    weight = np.zeros(len(edge))
    weight[:-1] += arc / 2
    weight[1:] += arc / 2
    pixel = direction_a_pixel(look, outline.line_px[[outline.first, outline.last]])
    return _Gap(
        curve, blade, casing, edge, foot, away, size,
        by_aside[:, None] * curve.basis(t),
        by_depth[:, None] * blade.basis(xy[:, 0], xy[:, 1]),
        by_foot[:, None] * casing.basis(foot_x, foot_y),
        by_aside[:, None] * pixel,
        weight / weight.sum(),
    )  # fmt: skip


def _quantities(look: Look, gap: _Gap) -> tuple[Measured, ...]:
    blocks = (
        block_of("frame noise", gap.curve.noise_covariance),
        block_of("restored metal", gap.curve.model_covariance),
        block_of("frame noise", gap.blade.noise_covariance),
        block_of("restored metal", gap.blade.model_covariance),
        block_of("frame noise", gap.casing.noise_covariance),
        block_of("restored metal", gap.casing.model_covariance),
        Block.independent("definition", [0.0], DEFINITION_PX),
    )
    rows = (
        gap.by_aside,
        gap.by_aside,
        gap.by_blade,
        gap.by_blade,
        gap.by_casing,
        gap.by_casing,
        gap.by_pixel,
    )

    def sizes(values: tuple[Array, ...]) -> Array:
        drawn = gap.size_mm + sum(value @ row.T for value, row in zip(values, rows, strict=True))
        return np.column_stack([drawn.min(axis=1), drawn @ gap.weight])

    at = gap.least
    least = Touch.at(
        np.vstack([gap.edge_mm[at], gap.feet_mm[at]]), np.vstack([gap.away[at], -gap.away[at]]), decoded=False
    )
    part = slice(None, None, 8)
    share = gap.weight[part, None] / gap.weight[part].sum()
    mean = Touch.at(gap.edge_mm[part], share * gap.away[part], decoded=False).and_at(
        Touch.at(gap.feet_mm[part], -share * gap.away[part], decoded=False)
    )
    wanted = (Wanted("gap_least", "mm", least), Wanted("gap_mean", "mm", mean))
    return propagate(
        sizes, blocks, wanted, rng=look.rng, surface=look.surface, many=True, luck=("taken off", "kept")
    )


def _warnings(gap: _Gap, casing: Sheet, points: RayPoints) -> list[str]:
    x, y = gap.feet_mm[:, 0] / gap.feet_mm[:, 2], gap.feet_mm[:, 1] / gap.feet_mm[:, 2]
    ray = on_rays(x, y, np.sqrt(x * x + y * y + 1))
    cosine = float(np.abs(np.einsum("mi,mi->m", ray, normals_on(casing, x, y))).min())
    if cosine < _LEAST_COSINE:
        raise NotMeasurable("the casing is seen too flat: look more square to it")
    outside = (x < points.x.min()) | (x > points.x.max()) | (y < points.y.min()) | (y > points.y.max())
    if outside.any():
        return [
            f"the casing is carried on over {100 * outside.mean():.0f} % of the edge, beyond what was seen"
        ]
    return []


def _drawing(look: Look, marks: Array, outline: Outline, gap: _Gap) -> Drawing:
    drawn: tuple[DrawnMark, ...] = tuple(
        drawn_to(mark, outline, at) for mark, at in zip(marks, (outline.first, outline.last), strict=True)
    )
    edge, foot = photo_pixels(look, gap.edge_mm), photo_pixels(look, gap.feet_mm)
    at = gap.least
    lines = (edge, np.vstack([edge[at], foot[at]]))
    return Drawing(drawn, lines, deepest_px=(float(edge[at, 0]), float(edge[at, 1])))


KIND: Final = Kind(
    "clearance",
    (
        QuantityMeaning(
            "gap_least", "mm", "least distance from the smooth edge between the marks to the casing"
        ),
        QuantityMeaning("gap_mean", "mm", "mean of that distance along the edge"),
    ),
    measure_clearance,
)
