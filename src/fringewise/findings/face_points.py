"""Points of a face inside an outline, for shapes that are fitted to all of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import MarksAtFault, NotMeasurable
from fringewise.findings.kind import Look
from fringewise.findings.marks import marks_on_metal, straight_line
from fringewise.sound.points import RayPoints, ray_points
from fringewise.sound.polygon import crosses_itself, window_round

BoolArray = npt.NDArray[np.bool_]

_MARGIN_PX: Final = 4.0
_LEAST_POINTS: Final = 200
_LEAST_SEEN: Final = 0.5
_BLOCKS_PX: Final = (4, 8, 16, 32)
_MOST_TOUCHED: Final = 300


@dataclass(frozen=True, slots=True)
class FacePoints:
    """Points inside an outline and a few pixels round it.

    Attributes
    ----------
    points : RayPoints
    inside : (N,) bool
    outline_px : (M, 2) array
    seen : float
        Share of the pixels inside that have a point.
    """

    points: RayPoints
    inside: BoolArray
    outline_px: Array
    seen: float

    @property
    def own(self) -> RayPoints:
        """The points inside."""
        return self.points.where(self.inside)

    @property
    def xyz_mm(self) -> Array:
        """The points themselves (N, 3), as `unbiased_points`."""
        return unbiased_points(self.points)


def face_points(look: Look, outline_px: Array) -> FacePoints:
    """Collect a face's points.

    Raises
    ------
    NotMeasurable
        Where the marks make no outline, or too little was seen inside it.
    """
    marks_on_metal(look.surface, outline_px)
    if crosses_itself(outline_px):
        raise MarksAtFault("the outline crosses itself: mark it round once, in order")
    window = window_round(_border(look, outline_px), _MARGIN_PX + 1, look.surface.shape)
    corner = (window.first_u, window.first_v)
    points = ray_points(look.surface, window.distance_px <= _MARGIN_PX, top_left=corner)
    rows, columns = (points.v - window.first_v).astype(int), (points.u - window.first_u).astype(int)
    inside = window.inside[rows, columns]
    seen = float(inside.sum() / window.inside.sum())
    if inside.sum() < _LEAST_POINTS or seen < _LEAST_SEEN:
        raise NotMeasurable(
            f"only {inside.sum()} points ({100 * seen:.0f} % of the pixels inside) can be used: "
            "move nearer, look from another side, or with less gloss"
        )
    return FacePoints(points, np.asarray(inside), outline_px, seen)


def unbiased_points(points: RayPoints) -> Array:
    """Points (N, 3) in the camera frame without what noise adds to their depth on average.

    Noise acts evenly on the inverse depth w, so that the mean of many depths 1/w is too great by the share
    (u(w)/w)²: 0.05 µm at most, but a sphere's diameter takes ten times that from its rim.
    """
    share = (points.sigma / points.inverse_depth) ** 2
    return np.asarray(points.xyz_mm * (1 - share)[:, None])


def placed_again(look: Look, face: FacePoints, placing_px: float) -> BoolArray:
    """Which of the face's points (N,) lie inside when the outline is placed again with this scatter."""
    moved = face.outline_px + look.rng.normal(0.0, placing_px, face.outline_px.shape)
    window = window_round(_border(look, moved), 1.0, look.surface.shape)
    rows = (face.points.v - window.first_v).astype(int)
    columns = (face.points.u - window.first_u).astype(int)
    height, width = window.inside.shape
    within = (rows >= 0) & (columns >= 0) & (rows < height) & (columns < width)
    found = np.zeros(len(face.points), dtype=bool)
    found[within] = window.inside[rows[within], columns[within]]
    return found


def block_inflation(points: RayPoints, normalised: Array, terms: int) -> float:
    """Variance of block means over that of independent noise, greatest over block sizes; 1 or more.

    Parameters
    ----------
    points : RayPoints
    normalised : (N,) array
        Residuals over their standard uncertainty.
    terms : int
        Free numbers of the fit.
    """
    worst = 1.0
    for size in _BLOCKS_PX:
        column, row = ((a - a.min()) // size for a in (points.u, points.v))
        block = (row * (column.max() + 1) + column).astype(np.intp)
        count = np.bincount(block)
        statistic = np.bincount(block, normalised)[count > 0] ** 2 / count[count > 0]
        if len(statistic) > 2.5 * terms:
            worst = max(worst, float(statistic.sum() / (len(statistic) - terms)))
    return worst


def some_of(count: int) -> tuple[npt.NDArray[np.intp], float]:
    """Numbers of evenly chosen points that stand for all of `count`, and how many each stands for."""
    chosen = np.unique(np.linspace(0, count - 1, min(count, _MOST_TOUCHED)).astype(np.intp))
    return chosen, count / len(chosen)


def _border(look: Look, outline_px: Array) -> Array:
    line = straight_line(look.rays, outline_px, closed=True)
    return np.column_stack(look.rays.pixel(line[:, 0], line[:, 1]))
