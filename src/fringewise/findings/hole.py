"""Hole: the area that is missing from the restored sheet, its circle's diameter, its length and width."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.core.measured import Measured
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.combine import Touch, bound_of
from fringewise.findings.contour import extents
from fringewise.findings.finding import Drawing, Finding, FindingResult
from fringewise.findings.kind import Kind, Look, QuantityMeaning
from fringewise.findings.marks import outline_of
from fringewise.findings.photo_levels import grey_of
from fringewise.findings.propagate import propagate
from fringewise.findings.relief import raw_heights
from fringewise.findings.rim import Rim, find_rim
from fringewise.findings.sheet_area import area_inside, area_touch
from fringewise.sound.points import ray_points
from fringewise.sound.polygon import Window, inside_nodes, window_round
from fringewise.sound.shape import normals_on, points_on
from fringewise.sound.sheet import Sheet, fit_sheet, restore_sheet

BoolArray = npt.NDArray[np.bool_]

RIM_DOUBT_PX: Final = 0.005
"""How far the rim as a whole may be off, from what a blurred step leaves out (see docs/kinds/hole.md)."""

_RING_PX: Final = (25.0, 140.0)
_CLEAR_OF_RIM_PX: Final = 3.0
_MOST_RING_POINTS: Final = 30_000
_FIRST_POINTS: Final = 3_000
_BEHIND_MM: Final = 0.15
_BEHIND_SIGMAS: Final = 6.0
_LEAST_HOLE_PX: Final = 12
_STRIPS: Final = 8
_STEP_PX: Final = 0.5
_WAYS: Final = 60
_MOST_COMPARED: Final = 60
_AT_ONCE: Final = 500


@dataclass(frozen=True, slots=True)
class _Hole:
    """A hole's rim laid on the restored sheet.

    Attributes
    ----------
    sheet : Sheet
    rim : Rim
        On the photo.
    directions : (N, 2) array
    points_mm : (N, 3) array
    outward_mm : (N, 3) array
        How each point moves for a pixel outwards on the photo.
    by_sheet : (N, 3, K) array
        How it moves with the sheet's terms.
    """

    sheet: Sheet
    rim: Rim
    directions: Array
    points_mm: Array
    outward_mm: Array
    by_sheet: Array


def measure_hole(look: Look, finding: Finding) -> FindingResult:
    """Measure a hole whose rim is found in the photo inside an outline on sound metal (format 3, ``hole``).

    Raises
    ------
    NotMeasurable
        Where the rim or the metal round it doesn't carry it.
    """
    outline = outline_of(look, finding)
    if look.photo is None:
        raise NotMeasurable("a hole's rim is found in the photo: this surface has none")
    window = window_round(outline, _RING_PX[1], look.surface.shape)
    missing = _missing(look, window)
    rim = _rim(look, window, missing)
    sheet = _sheet_round(look, window, missing)
    hole = _laid(look, sheet, rim)
    quantities = _quantities(look, hole)
    bound = bound_of(finding)
    warnings = _warnings(hole, look)
    lines = (np.vstack([rim.points_px, rim.points_px[:1]]), np.vstack([outline, outline[:1]]))
    return FindingResult(
        finding, tuple(one.with_bound(bound) for one in quantities), "", warnings, Drawing((), lines)
    )


def _missing(look: Look, window: Window) -> BoolArray:
    """Pixels inside the outline where the metal's own surface is missing, the largest patch of them."""
    corner = (window.first_u, window.first_v)
    near = ray_points(look.surface, (window.distance_px > 1) & (window.distance_px < 25), top_left=corner)
    if len(near) < 100:
        raise NotMeasurable("too little sound metal was seen round the hole: look from another side")
    sheet = fit_sheet(near.where(np.arange(0, len(near), max(1, len(near) // _FIRST_POINTS))), 3)
    points = ray_points(look.surface, window.inside, top_left=corner)
    held = np.zeros(window.inside.shape, dtype=bool)
    if len(points):
        _, heights, sigma = raw_heights(sheet, points)
        behind = heights < -np.maximum(_BEHIND_MM, _BEHIND_SIGMAS * sigma)
        rows = (points.v[~behind] - window.first_v).astype(int)
        held[rows, (points.u[~behind] - window.first_u).astype(int)] = True
    bare = (window.inside & ~held).astype(np.uint8)
    lost = cv2.morphologyEx(bare, cv2.MORPH_OPEN, np.ones((3, 3), dtype=np.uint8))
    count, parts, stats, _ = cv2.connectedComponentsWithStats(lost, connectivity=4)
    if count < 2 or stats[1:, cv2.CC_STAT_AREA].max() < _LEAST_HOLE_PX:
        raise NotMeasurable("no hole was found inside the outline: its metal was seen all over")
    return np.asarray(parts == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def _away_from(missing: BoolArray) -> npt.NDArray[np.float32]:
    return np.asarray(cv2.distanceTransform((~missing).astype(np.uint8), cv2.DIST_L2, 5), dtype=np.float32)


def _rim(look: Look, window: Window, missing: BoolArray) -> Rim:
    assert look.photo is not None
    height, width = window.inside.shape
    cut = np.s_[window.first_v : window.first_v + height, window.first_u : window.first_u + width]
    away = _away_from(missing)
    metal = look.surface.usable[cut] & (away > 1) & (away < 12)
    if not metal.any():
        raise NotMeasurable("no sound metal was seen beside the hole: look from another side")
    found = find_rim(grey_of(look.photo[cut]), missing, metal)
    corner = np.array([window.first_u, window.first_v], dtype=np.float64)
    return Rim(found.points_px + corner, found.normals, found.factor_px, found.blur_px, found.clear)


def _sheet_round(look: Look, window: Window, missing: BoolArray) -> Sheet:
    """The sheet restored across the hole from the metal that starts close to its rim."""
    diameter = 2 * float(np.sqrt(missing.sum() / np.pi))
    away = _away_from(missing)
    reach = float(np.clip(diameter, *_RING_PX))
    ring = (away > _CLEAR_OF_RIM_PX) & (away <= reach)
    points = ray_points(look.surface, ring, top_left=(window.first_u, window.first_v))
    step = int(np.ceil(np.sqrt(max(len(points) / _MOST_RING_POINTS, 1.0))))
    even = (points.u.astype(int) % step == 0) & (points.v.astype(int) % step == 0)
    return restore_sheet(points.where(even), patch_px=diameter)


def _laid(look: Look, sheet: Sheet, rim: Rim) -> _Hole:
    x, y = look.rays.direction(rim.points_px[:, 0], rim.points_px[:, 1])
    points = points_on(sheet, x, y)
    ahead, behind = (
        points_on(sheet, *look.rays.direction(*(rim.points_px + way * _STEP_PX * rim.normals).T))
        for way in (1.0, -1.0)
    )
    by_depth = -points * points[:, 2:]
    by_sheet = by_depth[:, :, None] * sheet.basis(x, y)[:, None, :]
    return _Hole(sheet, rim, np.column_stack([x, y]), points, (ahead - behind) / (2 * _STEP_PX), by_sheet)


def _quantities(look: Look, hole: _Hole) -> tuple[Measured, ...]:
    """Area, equivalent diameter, length and width from the sheet's terms and the rim's places."""
    line = hole.directions
    x, y, weights = inside_nodes(line, float(np.ptp(line, axis=0).max()) / _STRIPS)
    normal = normals_on(hole.sheet, x, y).mean(axis=0)
    normal /= np.linalg.norm(normal)
    length, width, long_ends, wide_ends, along, across = extents(hole.points_mm, normal)
    area = area_inside(hole.sheet, x, y, weights)
    flat = _Flat.of(hole, normal)
    exact = np.array([area, length, width])
    at_fit = flat.sizes(np.zeros((1, len(hole.points_mm))), np.zeros((1, len(hole.sheet.coefficients))))[0]
    scale = exact / at_fit

    def sizes(inputs: tuple[Array, ...]) -> Array:
        noise, model, places, shift = inputs
        found = scale * flat.sizes(places + shift, noise + model)
        return np.column_stack([found[:, 0], np.sqrt(4 * found[:, 0] / np.pi), found[:, 1:]])

    of_area = area_touch(hole.sheet, x, y, weights)
    of_circle = replace(of_area, gradient=of_area.gradient / np.sqrt(np.pi * area))
    touches = [of_area, of_circle]
    for ends, way in ((long_ends, along), (wide_ends, across)):
        touches.append(Touch.at(hole.points_mm[list(ends)], np.vstack([-way, way]), decoded=False))
    wanted = [Wanted(name, unit, touch, 0.0) for (name, unit), touch in zip(_NAMES, touches, strict=True)]
    return propagate(
        sizes,
        _blocks(hole),
        wanted,
        rng=look.rng,
        surface=look.surface,
        many=True,
        draws=look.draws,
        luck="taken off",
    )


@dataclass(frozen=True, slots=True)
class _Flat:
    """A hole's rim in its mean tangent plane, for sizes of many draws at once.

    Attributes
    ----------
    points_mm : (N, 2) array
    outward_mm : (N, 2) array
    by_sheet : (N, 2, K) array
    ways : (A, 2) array
        Unit directions, the second half square to the first.
    """

    points_mm: Array
    outward_mm: Array
    by_sheet: Array
    ways: Array

    @classmethod
    def of(cls, hole: _Hole, normal: Array) -> _Flat:
        """Lay the rim flat."""
        first = np.cross(normal, [0.0, 1.0, 0.0])
        first /= np.linalg.norm(first)
        plane = np.column_stack([first, np.cross(normal, first)])
        turn = np.arange(_WAYS) * np.pi / _WAYS
        ways = np.column_stack([np.cos(turn), np.sin(turn)])
        by_sheet = np.einsum("nik,ij->njk", hole.by_sheet, plane)
        points = (hole.points_mm - hole.points_mm.mean(axis=0)) @ plane
        return cls(points, hole.outward_mm @ plane, by_sheet, ways)

    def sizes(self, places_px: Array, terms: Array) -> Array:
        """Area, length and width (C, 3) with the rim off by places (C, N) and the sheet's terms by (C, K)."""
        found = np.empty((len(places_px), 3))
        for start in range(0, len(places_px), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            off = np.einsum("ck,nik->cni", terms[part], self.by_sheet, optimize=True)
            points = self.points_mm + places_px[part, :, None] * self.outward_mm + off
            after = np.roll(points, -1, axis=1)
            double = points[..., 0] * after[..., 1] - points[..., 1] * after[..., 0]
            found[part, 0] = np.abs(double.sum(axis=1)) / 2
            some = points[:, :: max(1, points.shape[1] // _MOST_COMPARED)]
            spans = np.ptp(some @ self.ways.T, axis=1)
            longest = np.argmax(spans, axis=1)
            row = np.arange(len(spans))
            found[part, 1] = spans[row, longest]
            found[part, 2] = spans[row, (longest + _WAYS // 2) % _WAYS]
        return found


_NAMES: Final = (("area", "mm²"), ("equivalent_diameter", "mm"), ("length", "mm"), ("width", "mm"))


def _blocks(hole: _Hole) -> list[Block]:
    sheet, none = hole.sheet, np.zeros(len(hole.sheet.coefficients))
    return [
        Block.of_covariance("frame noise", none, sheet.noise_covariance),
        Block.of_covariance("restored metal", none, sheet.model_covariance),
        Block("frame noise", np.zeros(len(hole.points_mm)), hole.rim.factor_px),
        Block.independent("definition", np.zeros(1), RIM_DOUBT_PX),
    ]


def _warnings(hole: _Hole, look: Look) -> tuple[str, ...]:
    said = []
    if hole.rim.clear < 0.95:
        said.append(f"the rim stands out along {100 * hole.rim.clear:.0f} % of the hole only")
    lost = 1 - float(hole.sheet.kept.mean())
    if lost > 0.1:
        said.append(f"{100 * lost:.0f} % of the metal round it was left out: it may be damaged too")
    u, v = hole.rim.points_px.T
    height, width = look.surface.shape
    if u.min() < 3 or v.min() < 3 or u.max() > width - 4 or v.max() > height - 4:
        said.append("the hole reaches the photo's rim: its whole extent is not in view")
    return tuple(said)


KIND: Final = Kind(
    "hole",
    (
        QuantityMeaning("area", "mm²", "area inside the rim, on the restored sheet"),
        QuantityMeaning("equivalent_diameter", "mm", "diameter of the circle of that area, √(4 A/π)"),
        QuantityMeaning("length", "mm", "greatest straight distance between two points of the rim"),
        QuantityMeaning("width", "mm", "extent of the rim square to its length"),
    ),
    measure_hole,
)
