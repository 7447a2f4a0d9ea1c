"""First values while a mark is dragged: a size within some 50 ms, without an uncertainty, not for a record.

The full measurement follows when the mark is let go. A quick value comes from every so many points and
without the choices that a full budget needs, so that it may lie a few micrometres off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.findings.finding import Finding
from fringewise.findings.kind import Look
from fringewise.findings.marks import marks_on_metal, outline_of, place, straight_line
from fringewise.findings.relief import raw_heights
from fringewise.findings.sheet_area import area_inside
from fringewise.sound.points import RayPoints, ray_points
from fringewise.sound.polygon import inside_nodes, signed_area, window_round
from fringewise.sound.sheet import restore_sheet
from fringewise.sound.smooth import fit_smooth

_FEW_POINTS: Final = 3_000
_FEW_INSIDE: Final = 5_000
_RING_STARTS_PX: Final = 1.5
_RING_PX: Final = (25.0, 140.0)
_DEGREE: Final = 4
_KNOTS: Final = 14
_AREA_KNOTS: Final = 6
_STRIPS: Final = 6
_LEAST_INSIDE: Final = 30


@dataclass(frozen=True, slots=True)
class QuickValue:
    """A first value of a quantity, without an uncertainty; never written into a result."""

    name: str
    unit: str
    value: float


def quick_value(look: Look, finding: Finding) -> QuickValue | None:
    """Give a first value of the finding's main quantity, for as long as a mark is dragged.

    None for a kind that has no quick value: its full measurement has to be waited for.

    Raises
    ------
    NotMeasurable
        Where marks or metal carry no value.

    Examples
    --------
    >>> from fringewise.findings.finding import Finding
    >>> from fringewise.findings.kind import Look
    >>> nothing = Look.__new__(Look)  # a kind without a quick value is told before anything is looked at
    >>> quick_value(nothing, Finding("F1", "observation")) is None
    True
    """
    found = _QUICK.get(finding.kind)
    return None if found is None else found(look, finding)


def _quick_depth(look: Look, finding: Finding) -> QuickValue:
    outline = outline_of(look, finding)
    line = straight_line(look.rays, outline, closed=True)
    border = np.column_stack(look.rays.pixel(line[:, 0], line[:, 1]))
    diameter = float(2 * np.sqrt(abs(signed_area(border)) / np.pi))
    reach = float(np.clip(diameter / 2, *_RING_PX))
    window = window_round(border, reach + 1, look.surface.shape)
    corner = (window.first_u, window.first_v)
    ring = (window.distance_px > _RING_STARTS_PX) & (window.distance_px <= reach)
    around = _few(look, ring, corner, _FEW_POINTS)
    sheet = restore_sheet(around, patch_px=diameter, highest_degree=_DEGREE)
    inside = _few(look, window.inside, corner, _FEW_INSIDE)
    if len(inside) < _LEAST_INSIDE:
        raise NotMeasurable(f"only {len(inside)} points of the damage can be used: move nearer")
    feet_xy, heights, sigma = raw_heights(sheet, inside)
    places = feet_xy[:, 0], feet_xy[:, 1]
    smooth = fit_smooth(*places, heights, sigma, knots=_KNOTS)
    return QuickValue("depth", "mm", -float(smooth.values(*places).min()))


def _quick_straight(look: Look, finding: Finding) -> QuickValue:
    first, second = _points(look, finding.marks["ends_px"])
    return QuickValue("straight", "mm", float(np.linalg.norm(second - first)))


def _quick_offset(look: Look, finding: Finding) -> QuickValue:
    marks = np.vstack([finding.marks["line_px"], finding.marks["point_px"]])
    first, second, third = _points(look, marks)
    line = second - first
    length = max(float(np.linalg.norm(line)), 1e-12)
    return QuickValue("offset", "mm", float(np.linalg.norm(np.cross(line, third - first))) / length)


def _quick_area(look: Look, finding: Finding) -> QuickValue:
    outline = outline_of(look, finding)
    line = straight_line(look.rays, outline, closed=True)
    border = np.column_stack(look.rays.pixel(line[:, 0], line[:, 1]))
    window = window_round(border, 1.0, look.surface.shape)
    points = _few(look, window.inside, (window.first_u, window.first_v), _FEW_POINTS)
    if len(points) < _LEAST_INSIDE:
        raise NotMeasurable(f"only {len(points)} points of the inside can be used: move nearer")
    smooth = fit_smooth(points.x, points.y, points.inverse_depth, points.sigma, knots=_AREA_KNOTS)
    marks = np.column_stack(look.rays.direction(outline[:, 0], outline[:, 1]))
    nodes = inside_nodes(marks, float(np.ptp(marks, axis=0).max()) / _STRIPS)
    return QuickValue("area", "mm²", area_inside(smooth, *nodes))


def _points(look: Look, marks_px: Array) -> list[Array]:
    marks_on_metal(look.surface, marks_px)
    return [place(look, mark, 0.0).point_mm for mark in marks_px]


def _few(look: Look, wanted: npt.NDArray[np.bool_], corner: tuple[int, int], most: int) -> RayPoints:
    """Points of every so many pixels in both directions."""
    step = max(1, int(np.sqrt(np.count_nonzero(wanted) / most)))
    thinned = np.zeros(wanted.shape, dtype=bool)
    thinned[::step, ::step] = wanted[::step, ::step]
    return ray_points(look.surface, thinned, top_left=corner)


_QUICK: Final[dict[str, Callable[[Look, Finding], QuickValue]]] = {
    "dent": _quick_depth,
    "distance": _quick_straight,
    "offset": _quick_offset,
    "area": _quick_area,
}
