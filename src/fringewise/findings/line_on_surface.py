"""A line on the metal: the smooth surface under it, its length along that surface and from end to end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.findings.combine import Touch
from fringewise.findings.kind import Look
from fringewise.sound.points import ray_points
from fringewise.sound.shape import Shape, points_on, polyline_length
from fringewise.sound.sheet import Sheet
from fringewise.sound.smooth import Smooth, fit_smooth

_STRIP_PX: Final = 12.0
_KNOTS: Final = 10
_MOST_MISFIT: Final = 3.0
_MOST_POINTS: Final = 20_000
_LEAST_POINTS: Final = 100
_LEAST_SEEN: Final = 0.3
_PIECES: Final = 10


@dataclass(frozen=True, slots=True)
class LineOnSurface:
    """A line laid on a smooth surface.

    Attributes
    ----------
    shape : Smooth or Sheet
        Inverse depth over ray directions.
    directions : (N, 2) array
    points_mm : (N, 3) array
    """

    shape: Smooth | Sheet
    directions: Array
    points_mm: Array

    @property
    def length_mm(self) -> float:
        """Length along the line."""
        return polyline_length(self.points_mm)

    @property
    def end_to_end_mm(self) -> float:
        """Straight distance between its ends."""
        return float(np.linalg.norm(self.points_mm[-1] - self.points_mm[0]))

    @property
    def length_gradient(self) -> Array:
        """Derivative (N, 3) of the length by each point."""
        steps = np.diff(self.points_mm, axis=0)
        steps /= np.maximum(np.linalg.norm(steps, axis=1, keepdims=True), 1e-12)
        return np.vstack([-steps[:1], steps[:-1] - steps[1:], steps[-1:]])

    @property
    def ends_gradient(self) -> Array:
        """Derivative (N, 3) of the straight distance between the ends; zero between them."""
        apart = self.points_mm[-1] - self.points_mm[0]
        gradient = np.zeros_like(self.points_mm)
        gradient[-1] = apart / max(float(np.linalg.norm(apart)), 1e-12)
        gradient[0] = -gradient[-1]
        return gradient

    def variances(self, gradient: Array) -> tuple[float, float]:
        """Variances of a size from frame noise, and from what the surface may be wrong by beyond it."""
        by_depth = np.einsum("ni,ni->n", gradient, -self.points_mm * self.points_mm[:, 2:])
        used = by_depth != 0
        row = by_depth[used] @ self.shape.basis(self.directions[used, 0], self.directions[used, 1])
        if isinstance(self.shape, Sheet):
            return float(row @ self.shape.noise_covariance @ row), float(
                row @ self.shape.model_covariance @ row
            )
        total = float(self.shape.variance(row)[0])
        noise = total / max(1.0, self.shape.misfit) ** 2
        return noise, total - noise

    def touch(self, gradient: Array) -> Touch:
        """Where a size with this gradient is taken."""
        used = np.any(gradient != 0, axis=1)
        return Touch.at(self.points_mm[used], gradient[used], decoded=False)


def lay_line(look: Look, line_px: Array, *, skipped_px: float = 0.0) -> LineOnSurface:
    """Lay a line given by photo pixels (N, 2) on the smooth surface under it.

    Parameters
    ----------
    look : Look
    line_px : (N, 2) array
        Points so close that straight sides between them will do.
    skipped_px : float
        Half width of a strip along the line whose own points are not trusted, such as a crack's.

    Raises
    ------
    NotMeasurable
        Where too little of the surface along the line was seen, or it isn't smooth.
    """
    x, y = look.rays.direction(line_px[:, 0], line_px[:, 1])
    return line_on(_surface_along(look, line_px, skipped_px), np.column_stack([x, y]))


def line_on(shape: Smooth | Sheet, directions: Array) -> LineOnSurface:
    """Lay a line of ray directions (N, 2) on a surface that is there already."""
    return LineOnSurface(shape, directions, points_on(shape, directions[:, 0], directions[:, 1]))


def lengths_of(shape: Shape, lines: Array) -> tuple[Array, Array]:
    """Lengths along the surface and from end to end (D,) of D lines given by directions (D, N, 2)."""
    points = points_on(shape, lines[..., 0], lines[..., 1])
    along = np.linalg.norm(np.diff(points, axis=1), axis=2).sum(axis=1)
    return along, np.linalg.norm(points[:, -1] - points[:, 0], axis=1)


def _surface_along(look: Look, line_px: Array, skipped_px: float) -> Smooth:
    height, width = look.surface.shape
    low = np.maximum(np.floor(line_px.min(axis=0) - _STRIP_PX).astype(int), 0)
    high = np.minimum(np.ceil(line_px.max(axis=0) + _STRIP_PX).astype(int), [width - 1, height - 1])
    drawn = np.full((high[1] - low[1] + 1, high[0] - low[0] + 1), 255, dtype=np.uint8)
    cv2.polylines(drawn, [np.rint((line_px - low) * 16).astype(np.int32)], False, 0, shift=4)
    distance = cv2.distanceTransform(drawn, cv2.DIST_L2, 5)
    wanted = (distance <= _STRIP_PX) & (distance >= skipped_px)
    points = ray_points(look.surface, wanted, top_left=(int(low[0]), int(low[1])))
    _seen_all_along(line_px, wanted, low, np.column_stack([points.u, points.v]))
    step = max(1, len(points) // _MOST_POINTS)
    points = points.where(np.arange(0, len(points), step))
    smooth = fit_smooth(points.x, points.y, points.inverse_depth, points.sigma, knots=_KNOTS)
    if smooth.misfit > _MOST_MISFIT:
        raise NotMeasurable(
            "the surface along the line is not smooth: mark it in parts, or measure straight distances"
        )
    return smooth


def _seen_all_along(line_px: Array, wanted: npt.NDArray[np.bool_], low: Array, seen_px: Array) -> None:
    """Refuse lines with a stretch (a tenth of them) along which hardly any surface was seen."""
    rows, columns = np.nonzero(wanted)
    pieces = np.array_split(np.arange(len(line_px)), min(_PIECES, len(line_px)))
    middles = np.array([line_px[piece].mean(axis=0) for piece in pieces])

    def counts(at: Array) -> Array:
        if len(at) == 0:
            return np.zeros(len(middles))
        away = np.sum((at[:, None] - middles) ** 2, axis=2)
        return np.bincount(np.argmin(away, axis=1), minlength=len(middles)).astype(np.float64)

    share = counts(seen_px) / np.maximum(counts(np.column_stack([columns, rows]) + low), 1.0)
    if len(seen_px) < _LEAST_POINTS or share.min() < _LEAST_SEEN:
        raise NotMeasurable(
            "part of the surface along the line was not seen: "
            "look from another side, nearer or with less gloss"
        )
