"""What lies behind an edge: where the metal's shadow falls on it, and what fringes both would show.

The projector stands beside the camera, so that on one side of the metal a strip of what is behind lies in the
metal's shadow. Seen from the camera the strip runs from the edge to where the projector's ray past the edge
meets what is behind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.sound.points import PixelRays
from fringewise.sound.shape import Shape, points_on
from fringewise.surface.surface import Surface

Numbers = npt.NDArray[np.intp]

_STEPS: Final = 8


@dataclass(frozen=True, slots=True)
class Scenery:
    """Metal before something else, both as smooth surfaces about an edge.

    Attributes
    ----------
    surface : Surface
    head : Head
    rays : PixelRays
    metal, behind : Shape
    """

    surface: Surface
    head: Head
    rays: PixelRays
    metal: Shape
    behind: Shape

    def shadow_px(self, line_px: Array, outward: Array) -> Array:
        """Width (N,) of the shadow outside an outline (N, 2), along its outward directions; 0 for none."""
        x, y = self.rays.direction(line_px[:, 0], line_px[:, 1])
        edge = points_on(self.metal, x, y)
        projector = self.head.projector
        source = -projector.rotation.T @ projector.translation_mm
        way = edge - source
        # Newton's steps for 1 − Z w(X/Z, Y/Z) = 0 along the projector's ray past the edge
        far = np.ones(len(edge))
        for _ in range(_STEPS):
            value, slope = self._below(edge + (far - 1)[:, None] * way, way)
            far = far - np.clip(value / slope, -0.2, 0.2)
        met = edge + (far - 1)[:, None] * way
        u, v = self.rays.pixel(met[:, 0] / met[:, 2], met[:, 1] / met[:, 2])
        apart = np.column_stack([u, v]) - line_px
        return np.asarray(np.maximum(np.einsum("ni,ni->n", apart, outward), 0.0))

    def _below(self, points: Array, way: Array) -> tuple[Array, Array]:
        x, y, z = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2], points[:, 2]
        w = self.behind.inverse_depth(x, y)
        by_x, by_y = self.behind.slopes(x, y)
        gradient = np.stack([by_x, by_y, w - x * by_x - y * by_y], axis=-1)
        return z * w - 1, np.einsum("ni,ni->n", gradient, way)

    def phases(self, rows: Numbers, columns: Numbers) -> tuple[Array, Array, Array]:
        """Fringe phases (N,) of pixels as decoded (else NaN), of the metal, and of what is behind."""
        assert self.surface.finest_set is not None
        turn = 2 * math.pi * self.surface.finest_set.fringes
        seen = self.surface.xyz_mm[rows, columns].astype(np.float64)
        x, y = self.rays.direction(columns.astype(np.float64), rows.astype(np.float64))
        column = self.head.projector.column_row
        metal, behind = points_on(self.metal, x, y), points_on(self.behind, x, y)
        return turn * column(seen)[0], turn * column(metal)[0], turn * column(behind)[0]
