"""Draws of a relief: thousands of heights on a grid at once, from the covariance of its spline.

Only the sheet below is linearised.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.bands import in_bands
from fringewise.core.checks import Array
from fringewise.findings.contour import Grid
from fringewise.findings.contour_kernel import sizes_over_draws
from fringewise.sound.smooth import Smooth

Single = npt.NDArray[np.float32]

_STRIDE: Final = 2


def term_draws(smooth: Smooth, count: int, rng: np.random.Generator) -> Single:
    """Draws (count, K) of how far a smooth field's terms lie from their values, in single precision.

    Each draw comes with its opposite, which halves the work and leaves the mean without their own scatter.
    """
    half = smooth.offsets(-(-count // 2), rng)
    return np.vstack([half, -half])[:count]


@dataclass(frozen=True, slots=True)
class CoarseGrid:
    """Every second node of a relief's grid, for the draws."""

    x: Array
    y: Array
    inside: npt.NDArray[np.bool_]
    points_mm: Array
    normals: Array
    cell_mm2: Array
    in_x: Single
    in_y: Single
    of_sheet: Array

    @classmethod
    def of(cls, grid: Grid) -> CoarseGrid:
        """Thin a grid."""
        s = slice(None, None, _STRIDE)
        return cls(
            grid.x[s],
            grid.y[s],
            np.ascontiguousarray(grid.inside[s, s]),
            np.ascontiguousarray(grid.points_mm[s, s]),
            np.ascontiguousarray(grid.normals[s, s]),
            np.ascontiguousarray(grid.cell_mm2[s, s] * _STRIDE**2),
            grid.in_x[s].astype(np.float32),
            grid.in_y[s].astype(np.float32),
            np.ascontiguousarray(grid.of_sheet[s, s]),
        )

    def inside_of(self, outline: Array) -> CoarseGrid:
        """Give the same grid with the inside of another outline, directions (M, 2)."""
        low, step = np.array([self.x[0], self.y[0]]), np.array([self.x[1] - self.x[0], self.y[1] - self.y[0]])
        corners = (outline - low) / step
        filled = np.zeros(self.inside.shape, dtype=np.uint8)
        cv2.fillPoly(filled, [np.round(corners[:, ::-1] * 64).astype(np.int32)], 1, shift=6)
        return replace(self, inside=filled > 0)

    def heights(self, terms: npt.ArrayLike, sheet_offsets: Array) -> Single:
        """Heights (D, g, g) of reliefs with terms (D, K) over sheets off by `sheet_offsets` (D, L)."""
        count = len(sheet_offsets)
        nx, ny = self.in_x.shape[1], self.in_y.shape[1]
        along_y = np.asarray(terms, dtype=np.float32).reshape(count * nx, ny) @ self.in_y.T
        heights = self.in_x @ along_y.reshape(count, nx, -1)
        flat = self.of_sheet.reshape(-1, self.of_sheet.shape[-1]).astype(np.float32)
        heights += (sheet_offsets.astype(np.float32) @ flat.T).reshape(heights.shape)
        return np.asarray(heights)

    def sizes(self, heights_mm: Single, share: float) -> Array:
        """Depth, contour length, width, area and volume (D, 5) of drawn heights (D, g, g)."""
        sizes = np.empty((len(heights_mm), 4))

        def work(first: int, end: int) -> None:
            given = heights_mm[first:end], self.inside, self.points_mm, self.normals, self.cell_mm2
            sizes_over_draws(*given, share, sizes[first:end])

        in_bands(len(heights_mm), work)
        weights = np.where(self.inside, self.cell_mm2, 0.0).astype(np.float32).ravel()
        volume = -(heights_mm.reshape(len(heights_mm), -1) @ weights)
        return np.column_stack([sizes, volume])
