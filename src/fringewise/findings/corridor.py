"""The outline of a damage that was marked along its path: a corridor as wide as the metal says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.findings.kind import Look
from fringewise.findings.relief import raw_heights
from fringewise.sound.points import ray_points
from fringewise.sound.polygon import window_round
from fringewise.sound.sheet import Sheet, restore_sheet

_FIRST_SHARE: Final = 0.35
_FIRST_PX: Final = (16.0, 60.0)
_RING_PX: Final = (25.0, 90.0)
_RING_POINTS: Final = 12_000
_FINE: Final = 4
_EVEN_PX: Final = 0.6
_BIN_PX: Final = 2.0
_PIECES: Final = 6
_QUIET_BINS: Final = 2
_CLEAR: Final = 4.0
_CLEAR_SHARE: Final = 0.03
_LEAST_IN_BIN: Final = 5
_MARGIN_PX: Final = 2.5
_LEAST_HALF_PX: Final = 5.0


@dataclass(frozen=True, slots=True)
class Corridor:
    """A strip along a path.

    Attributes
    ----------
    path_px : (N, 2) array
    half_px : float
        How far it reaches to both sides.
    beyond_px : float
        How far it goes on straight beyond both ends.
    """

    path_px: Array
    half_px: float
    beyond_px: float

    @property
    def line_px(self) -> Array:
        """Its middle line (N + 2, 2), carried on straight beyond both ends."""
        first, last = self.path_px[0] - self.path_px[1], self.path_px[-1] - self.path_px[-2]
        first, last = first / np.linalg.norm(first), last / np.linalg.norm(last)
        return np.vstack(
            [
                self.path_px[0] + self.beyond_px * first,
                self.path_px,
                self.path_px[-1] + self.beyond_px * last,
            ]
        )

    def outline_px(self) -> Array:
        """Its outline (M, 2), with rounded ends."""
        line = self.line_px
        low = np.floor(line.min(axis=0) - self.half_px - 2)
        size = (np.ceil(line.max(axis=0) + self.half_px + 2) - low).astype(int) * _FINE
        drawn = np.full((size[1], size[0]), 255, dtype=np.uint8)
        cv2.polylines(drawn, [np.rint((line - low) * _FINE * 16).astype(np.int32)], False, 0, shift=4)
        inside = cv2.distanceTransform(drawn, cv2.DIST_L2, 5) <= self.half_px * _FINE
        found, _ = cv2.findContours(inside.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        largest = max(found, key=len)
        even = cv2.approxPolyDP(largest, _EVEN_PX * _FINE, True)
        return np.asarray(even[:, 0].astype(np.float64) / _FINE + low)

    def places(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Where pixels (N,) lie: distance along the path from its first mark, signed distance across."""
        line = self.line_px
        start, way = line[:-1], np.diff(line, axis=0)
        length = np.linalg.norm(way, axis=1)
        way = way / np.maximum(length, 1e-9)[:, None]
        off = np.column_stack([u, v])[:, None] - start
        along = np.clip(np.einsum("nki,ki->nk", off, way), 0.0, length)
        gap = off - along[..., None] * way
        nearest = np.argmin(np.einsum("nki,nki->nk", gap, gap), axis=1)
        row = np.arange(len(u))
        before = np.concatenate([[0.0], np.cumsum(length)[:-1]]) - length[0]
        side = way[nearest, 0] * off[row, nearest, 1] - way[nearest, 1] * off[row, nearest, 0]
        return before[nearest] + along[row, nearest], side


def corridor_of(look: Look, path_px: Array) -> Corridor:
    """Find how far to both sides and beyond its ends a damage along a path (N, 2) reaches.

    A sheet is restored across a generous corridor; the damage ends where the heights over it, averaged over
    stretches of the path, stay within their doubt (or within 3 % of its depth).

    Raises
    ------
    NotMeasurable
        Where too little sound metal surrounds the path.
    """
    length = float(np.linalg.norm(np.diff(path_px, axis=0), axis=1).sum())
    first = float(np.clip(_FIRST_SHARE * length, *_FIRST_PX))
    generous = Corridor(path_px, first, first / 2)
    along, across, heights, doubt = _heights(look, generous)
    depth = _depth(along, across, heights, length)
    on_path = (along >= 0) & (along <= length)
    half = max(
        _outermost(side * across[on_path], along[on_path], heights[on_path], doubt, depth, length)
        for side in (-1.0, 1.0)
    )
    half = float(np.clip(half + _MARGIN_PX, _LEAST_HALF_PX, first))
    near = np.abs(across) <= half
    beyond = max(
        _outermost(past[near], np.zeros(near.sum()), heights[near], doubt, depth, length)
        for past in (-along, along - length)
    )
    return Corridor(path_px, half, float(np.clip(beyond + _MARGIN_PX - half / 2, 0.0, generous.beyond_px)))


def _heights(look: Look, corridor: Corridor) -> tuple[Array, Array, Array, float]:
    """Places along and across, heights over the restored sheet, and the doubt of the sheet, mm."""
    outline = corridor.outline_px()
    diameter = 2 * corridor.half_px
    reach = float(np.clip(1.2 * diameter, *_RING_PX))
    window = window_round(outline, reach + 1, look.surface.shape)
    corner = (window.first_u, window.first_v)
    ring = ray_points(look.surface, (window.distance_px > 1) & (window.distance_px <= reach), top_left=corner)
    sheet = restore_sheet(
        ring.where(np.arange(0, len(ring), max(1, len(ring) // _RING_POINTS))), patch_px=diameter
    )
    points = ray_points(look.surface, window.inside, top_left=corner)
    if len(points) < _LEAST_IN_BIN * _PIECES:
        raise NotMeasurable(f"only {len(points)} points of the damage can be used: move nearer")
    _, heights, _ = raw_heights(sheet, points)
    along, across = corridor.places(points.u, points.v)
    return along, across, heights, _sheet_doubt(sheet, points.x, points.y)


def _sheet_doubt(sheet: Sheet, x: Array, y: Array) -> float:
    """Standard uncertainty of the restored surface inside, typical, mm."""
    some = np.linspace(0, len(x) - 1, 60).astype(int)
    rows = sheet.basis(x[some], y[some])
    variance = np.einsum("ni,ij,nj->n", rows, sheet.noise_covariance + sheet.model_covariance, rows)
    depth = 1 / sheet.inverse_depth(x[some], y[some])
    return float(np.median(np.sqrt(variance) * depth**2))


def _depth(along: Array, across: Array, heights: Array, length: float) -> float:
    """Rough depth of the damage: the lowest of the means over small cells."""
    kept = (along >= 0) & (along <= length)
    piece = np.clip(along[kept] / max(length, 1e-9) * _PIECES, 0, _PIECES - 1).astype(int)
    line = np.round(across[kept] / _BIN_PX).astype(int)
    cell = piece * 1000 + line - line.min()
    count = np.bincount(cell)
    mean = np.bincount(cell, heights[kept]) / np.maximum(count, 1)
    return float(np.max(np.abs(mean[count >= _LEAST_IN_BIN]), initial=0.0))


def _outermost(away: Array, along: Array, heights: Array, doubt: float, depth: float, length: float) -> float:
    """How far out (px) the heights still leave the sheet in some piece of the path, going out from 0."""
    out = away >= 0
    line = (away[out] / _BIN_PX).astype(int)
    piece = np.clip(along[out] / max(length, 1e-9) * _PIECES, 0, _PIECES - 1).astype(int)
    if len(line) == 0:
        return 0.0
    bins = int(line.max()) + 1
    cell = piece * bins + line
    count = np.bincount(cell, minlength=_PIECES * bins).reshape(_PIECES, bins)
    total = np.bincount(cell, heights[out], minlength=_PIECES * bins).reshape(_PIECES, bins)
    mean = total / np.maximum(count, 1)
    far = mean[:, -3:][count[:, -3:] >= _LEAST_IN_BIN]
    scatter = float(np.std(heights[out][line >= bins - 3])) if len(far) else float(np.std(heights))
    sigma = np.sqrt(scatter**2 / np.maximum(count, 1) + doubt**2)
    clear = (np.abs(mean) > np.maximum(_CLEAR * sigma, _CLEAR_SHARE * depth)) & (count >= _LEAST_IN_BIN)
    loud, quiet, last = np.atleast_1d(clear.any(axis=0)), 0, -1
    for n in range(bins):
        quiet = 0 if loud[n] else quiet + 1
        last = n if loud[n] else last
        if quiet > _QUIET_BINS and last >= 0:
            break
    return float(last + 1) * _BIN_PX
