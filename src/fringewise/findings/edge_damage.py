"""What all damage at an edge is measured from: the outline beside and across it, the sheet, the sound edge.

The two marks lie on the sound edge, one each side. The outline of the metal is found in the photo or in the
fringes; beyond the marks it is sound and holds up the restored edge, between them it is the damage's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.findings.edge_sizes import EdgeModel, Stations
from fringewise.findings.finding import DrawnMark
from fringewise.findings.kind import Look
from fringewise.findings.relief import raw_heights
from fringewise.sound.edge import Curve, restore_edge
from fringewise.sound.metal import Rim, rim_between
from fringewise.sound.outline import Outline, trace_outline
from fringewise.sound.points import RayPoints, ray_points
from fringewise.sound.sheet import Sheet, restore_sheet

BoolArray = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.intp]

ERODED_PX: Final = 3.0
_SIDE_SHARE: Final = 1.3
_SIDE_PX: Final = (40.0, 180.0)
_LEAST_SIDE_PX: Final = 12
_LEAST_GAP_PX: Final = 6.0
_KINK_COS: Final = 0.90
_KINK_SPAN: Final = 8
_AFTER_MARK_PX: Final = 1.0
_RING_SHARE: Final = 1.0
_RING_PX: Final = (40.0, 150.0)
_MOST_POINTS: Final = 9_000
_SHEET_DEGREE: Final = 4
_ROLLED_PX: Final = (1.0, 4.0)
_ROLLED_SIGMAS: Final = 5.0
_ROLLED_LEAST_MM: Final = 0.004
_LEAST_ROLLED: Final = 30
_MOST_LOST: Final = 0.25
_SHARP_PX: Final = 1.2

ROUNDED: Final = (
    "the metal rolls away towards this edge: what is seen is its limb, not a sharp edge, and from another "
    "side it lies elsewhere; look square to the edge"
)


@dataclass(frozen=True, slots=True)
class EdgeDamage:
    """The outline at a damaged edge, in order from before the first mark to beyond the second.

    Attributes
    ----------
    rim : Rim
    outline : Outline
    before, after : (N,) int
        Points of the outline on sound edge before the first mark and after the second.
    drawn : tuple of DrawnMark
        The marks, drawn to the outline.
    gap_px : float
        Distance between the marks.
    """

    rim: Rim
    outline: Outline
    before: Numbers
    after: Numbers
    drawn: tuple[DrawnMark, ...]
    gap_px: float

    @property
    def marks_px(self) -> Array:
        """The marks as drawn to the outline (2, 2)."""
        return np.array([one.used_px for one in self.drawn])

    @property
    def sound(self) -> Numbers:
        """Points of the outline that hold up the restored edge."""
        return np.concatenate([self.before, self.after])


def edge_damage(look: Look, marks_px: Array, placing_px: float) -> EdgeDamage:
    """Find the outline at two marks on a sound edge, one each side of a damage.

    Raises
    ------
    MarksAtFault
        A mark lies away from the edge, or both on the same place.
    NotMeasurable
        The edge can't be followed from one mark to the other, or too little of it is sound.
    """
    gap = float(np.linalg.norm(marks_px[1] - marks_px[0]))
    if gap < _LEAST_GAP_PX:
        raise MarksAtFault("both marks lie on the same place: mark the sound edge on each side of the damage")
    rim = rim_between(look.surface, marks_px, float(np.clip(_SIDE_SHARE * gap, *_SIDE_PX)))
    if rim.leaves_photo:
        raise NotMeasurable("the damage's outline leaves the photo: look again with the whole of it in view")
    outline = trace_outline(look.surface, rim)
    margin = round(_AFTER_MARK_PX + placing_px)
    before = straight_run(outline, outline.first - margin, -1)
    after = straight_run(outline, outline.last + margin, 1)
    if min(len(before), len(after)) < _LEAST_SIDE_PX:
        side = "first" if len(before) < len(after) else "second"
        raise NotMeasurable(
            f"too little of the sound edge was seen beyond the {side} mark: "
            "look again with more of it in view"
        )
    at = (outline.first, outline.last)
    drawn = tuple(drawn_to(mark, outline, one) for mark, one in zip(marks_px, at, strict=True))
    return EdgeDamage(rim, outline, before, after, drawn, gap)


def straight_run(outline: Outline, start: int, way: int) -> Numbers:
    """Points seen from one outwards, in the outline's order, as long as the edge doesn't turn a corner."""
    line = outline.line_px
    run = np.arange(start, -1, -1) if way < 0 else np.arange(start, len(line))
    if len(run) > 2 * _KINK_SPAN:
        steps = line[run[_KINK_SPAN:]] - line[run[:-_KINK_SPAN]]
        steps /= np.linalg.norm(steps, axis=1, keepdims=True)
        turned = np.sum(steps[:-_KINK_SPAN] * steps[_KINK_SPAN:], axis=1) < _KINK_COS
        if turned.any():
            run = run[: max(int(np.argmax(turned)) + _KINK_SPAN - 2, 0)]
    run = run[np.isfinite(outline.sigma_px[run])]
    return np.asarray(np.sort(run), dtype=np.intp)


def drawn_to(mark: Array, outline: Outline, at: int) -> DrawnMark:
    """A mark as drawn to the edge: across the edge only."""
    outward = outline.outward[at]
    used = mark + float((outline.line_px[at] - mark) @ outward) * outward
    sigma = outline.sigma_px[at] if np.isfinite(outline.sigma_px[at]) else outline.scatter_px
    return DrawnMark((float(mark[0]), float(mark[1])), (float(used[0]), float(used[1])), "edge", float(sigma))


def sound_sheet(look: Look, damage: EdgeDamage) -> tuple[Sheet, RayPoints]:
    """Fit the sheet to the sound metal beside an edge's damage.

    Raises
    ------
    NotMeasurable
        With too little sound metal.
    """
    reach = float(np.clip(_RING_SHARE * damage.gap_px, *_RING_PX))
    used = slice(damage.before[0], damage.after[-1] + 1)
    near = metal_beside(damage.rim, damage.outline.line_px[used], ERODED_PX, reach)
    points = thinned_points(look, near, damage.rim.corner, _MOST_POINTS)
    patch = float(np.clip(0.5 * damage.gap_px, 12.0, 60.0))
    return restore_sheet(points, patch_px=patch, highest_degree=_SHEET_DEGREE), points


def metal_beside(rim: Rim, line_px: Array, eroded_px: float, reach_px: float) -> BoolArray:
    """Pixels (h, w) of the rim's window on its metal, some way inside and within reach of a line (N, 2)."""
    metal = np.pad(rim.metal.astype(np.uint8), 1)
    inside = cv2.distanceTransform(metal, cv2.DIST_L2, 5)[1:-1, 1:-1] - 0.5
    off = np.full(rim.metal.shape, 255, dtype=np.uint8)
    cv2.polylines(off, [np.rint(line_px - rim.corner).astype(np.int32)], False, 0)
    return np.asarray((inside >= eroded_px) & (cv2.distanceTransform(off, cv2.DIST_L2, 5) <= reach_px))


def thinned_points(look: Look, chosen: BoolArray, corner: tuple[int, int], most: int) -> RayPoints:
    """Points of chosen pixels of a window, every so many where there are more than `most`."""
    points = ray_points(look.surface, chosen, top_left=corner)
    step = max(1, -(-len(points) // most))
    return points.where(np.arange(0, len(points), step))


def restored_curve(look: Look, damage: EdgeDamage) -> Curve:
    """Carry the sound edge across the damage, as a curve over ray directions."""
    outline = damage.outline
    xy = directions_of(look, outline.raw_points_px[damage.sound])
    marks = directions_of(look, damage.marks_px)
    scale = direction_a_pixel(look, damage.marks_px)
    gap = float(np.linalg.norm(marks[1] - marks[0]))
    return restore_edge(xy, marks, outline.sigma_px[damage.sound] * scale, gap=gap)


def edge_model(look: Look, damage: EdgeDamage) -> EdgeModel:
    """Put outline, restored edge and sheet together."""
    sheet, _ = sound_sheet(look, damage)
    rolled = rolled_px(look, damage, sheet)
    return EdgeModel.of(sheet, restored_curve(look, damage), stations_of(look, damage.outline), rolled)


def rolled_px(look: Look, damage: EdgeDamage, sheet: Sheet) -> float:
    """How far a rounded edge's limb may lie beside where its ray meets the sheet carried on, in pixels.

    Metal that rolls away towards the sound edge lies below the sheet in the last pixels before the outline,
    and at the limb by twice as much as there on average. 0 where no such fall stands out of the noise.
    """
    line = damage.outline.line_px
    low, high = damage.before[0], damage.after[-1] + 1
    fallen = []
    for part in (line[low : damage.before[-1] + 1], line[damage.after[0] : high]):
        rim = metal_beside(damage.rim, part, _ROLLED_PX[0], _ROLLED_PX[1])
        points = ray_points(look.surface, rim, top_left=damage.rim.corner)
        if len(points) < _LEAST_ROLLED:
            continue
        _, heights, sigma = raw_heights(sheet, points)
        weight = 1 / sigma**2
        mean = float(np.sum(weight * heights) / weight.sum())
        model = float(
            np.sqrt(
                np.mean(
                    (
                        sheet.basis(points.x, points.y)
                        @ sheet.model_covariance
                        * sheet.basis(points.x, points.y)
                    ).sum(axis=1)
                )
            )
            / np.mean(points.inverse_depth) ** 2
        )
        doubt = float(np.hypot(1 / np.sqrt(weight.sum()), model))
        fallen.append(-mean if -mean > max(_ROLLED_SIGMAS * doubt, _ROLLED_LEAST_MM) else 0.0)
    if not fallen or max(fallen) == 0:
        return 0.0
    depth = 1 / float(np.mean(sheet.inverse_depth(*directions_of(look, damage.marks_px).T)))
    return 2 * max(fallen) / (direction_a_pixel(look, damage.marks_px) * depth)


def stations_of(look: Look, outline: Outline) -> Stations:
    """The outline between the marks as directions, and how they follow the smooth line's terms."""
    part = outline.damage
    line, outward = outline.line_px[part], outline.outward[part]
    xy = directions_of(look, line)
    by_offset = (directions_of(look, line + 0.5 * outward) - directions_of(look, line - 0.5 * outward)) / 1.0
    return Stations(xy, by_offset, outline.terms, outline.bent.covariance)


def pixel_mm(look: Look, damage: EdgeDamage, model: EdgeModel) -> float:
    """Length of a pixel on the part about the damage, square to the view."""
    x, y = model.stations.xy.mean(axis=0)
    depth = 1 / float(model.sheet.inverse_depth(np.array([x]), np.array([y]))[0])
    return direction_a_pixel(look, damage.marks_px) * depth


def directions_of(look: Look, uv_px: Array) -> Array:
    """Ray directions (N, 2) of pixels (N, 2)."""
    return np.column_stack(look.rays.direction(uv_px[:, 0], uv_px[:, 1]))


def direction_a_pixel(look: Look, uv_px: Array) -> float:
    """How much the direction changes for a pixel, about the middle of the pixels given."""
    middle = uv_px.mean(axis=0)
    both = directions_of(look, np.array([middle, middle + np.array([1.0, 0.0])]))
    return float(np.linalg.norm(both[1] - both[0]))


def edge_warnings(damage: EdgeDamage, model: EdgeModel) -> tuple[str, ...]:
    """Say what speaks against an edge: metal that rolls away towards it, and sound edge that isn't."""
    said = []
    if model.rolled_px > 0:
        said.append(ROUNDED)
    lost = 1 - float(model.curve.kept.mean())
    if lost > _MOST_LOST:
        said.append(f"{100 * lost:.0f} % of the edge beside the marks was left out: it may be damaged too")
    if damage.outline.blur_px > _SHARP_PX:
        said.append(
            f"the picture is blurred by {damage.outline.blur_px:.1f} pixels at the edge: focus or move"
        )
    return tuple(said)
