"""What a person's placing of the outline does to a relief: other sound metal, another inside.

The relief itself hardly follows the outline; the sheet below does, because other points hold it up. For each
placing the sheet is restored anew from the sums of the first fit, less the points that dropped out and with
those that came in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable
from fringewise.findings.kind import Look
from fringewise.findings.marks import straight_line
from fringewise.findings.relief import Relief
from fringewise.sound.points import ray_points
from fringewise.sound.polygon import window_round
from fringewise.sound.sheet import SheetSums, pixel_numbers

BoolArray = npt.NDArray[np.bool_]

_STARTS_PX: Final = 1.5
_REACH_SIGMAS: Final = 4.0


@dataclass(frozen=True, slots=True)
class Placings:
    """What came of placing the outline again and again.

    Attributes
    ----------
    outlines : tuple of (M, 2) array
        Ray directions along each outline.
    sheet_offsets : (D, L) array
        How far each sheet's terms lie from those of the outline as marked.
    """

    outlines: tuple[Array, ...]
    sheet_offsets: Array


def place_again(look: Look, relief: Relief, outline_px: Array, placing_px: float, count: int) -> Placings:
    """Place an outline (N, 2) again `count` times with a person's scatter and restore the sheet each time.

    Placings with which nothing can be restored are left out.
    """
    reach = _reach(relief)
    ring = _Ring.round(look, relief, reach + _REACH_SIGMAS * placing_px)
    first = ring.sheet(_border(look, outline_px)[1], reach)
    outlines, offsets = [], []
    for _ in range(count):
        moved = outline_px + look.rng.normal(0.0, placing_px, outline_px.shape)
        line, border = _border(look, moved)
        try:
            offsets.append(ring.sheet(border, reach) - first)
        except (NotMeasurable, np.linalg.LinAlgError):
            continue
        outlines.append(line)
    return Placings(tuple(outlines), np.array(offsets).reshape(-1, len(first)))


def _reach(relief: Relief) -> float:
    """How far from the outline the points reach that hold up the sheet, px."""
    window, ring = relief.window, relief.ring_points
    rows, columns = (ring.v - window.first_v).astype(int), (ring.u - window.first_u).astype(int)
    return float(window.distance_px[rows, columns].max())


def _border(look: Look, outline_px: Array) -> tuple[Array, Array]:
    line = straight_line(look.rays, outline_px, closed=True)
    return line, np.column_stack(look.rays.pixel(line[:, 0], line[:, 1]))


@dataclass(frozen=True, slots=True)
class _Ring:
    """Every point that may hold up the sheet with one placing or another."""

    shape: tuple[int, int]
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    sums: SheetSums

    @classmethod
    def round(cls, look: Look, relief: Relief, reach_px: float) -> _Ring:
        """Collect them, those left out by the first fit apart."""
        border = np.column_stack(look.rays.pixel(relief.outline[:, 0], relief.outline[:, 1]))
        window = window_round(border, reach_px + 1, look.surface.shape)
        wanted = window.distance_px <= reach_px
        step = _step(relief)
        thinned = np.zeros_like(wanted)
        thinned[::step, ::step] = wanted[::step, ::step]
        points = ray_points(look.surface, thinned, top_left=(window.first_u, window.first_v))
        bad = pixel_numbers(relief.ring_points.where(~relief.sheet.kept))
        sums = SheetSums.of(points, relief.sheet, bad)
        return cls(look.surface.shape, points.v.astype(np.intp), points.u.astype(np.intp), sums)

    def sheet(self, border_px: Array, reach: float) -> Array:
        """Terms (L,) of the sheet through the points round one border."""
        window = window_round(border_px, reach + 1, self.shape)
        rows, columns = self.rows - window.first_v, self.columns - window.first_u
        height, width = window.distance_px.shape
        seen = (rows >= 0) & (columns >= 0) & (rows < height) & (columns < width)
        far = np.full(len(rows), np.inf)
        far[seen] = window.distance_px[rows[seen], columns[seen]]
        return self.sums.restored((far > _STARTS_PX) & (far <= reach))


def _step(relief: Relief) -> int:
    """Every how many pixels a point holds up the sheet."""
    rows = np.unique(relief.ring_points.v)
    return max(1, round(float(np.median(np.diff(rows))))) if len(rows) > 1 else 1
