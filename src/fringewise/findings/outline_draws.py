"""An outline placed thousands of times on one smooth surface: how its sizes come out each time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.bands import in_bands
from fringewise.core.checks import Array
from fringewise.findings.outline_kernel import sizes_over_placings
from fringewise.sound.points import PixelRays
from fringewise.sound.shape import Shape, area_element, normals_on

_TABLE: Final = 129
_MARGIN: Final = 0.1
_SIDE_POINTS: Final = 4
_STEP_PX: Final = 0.5


@dataclass(frozen=True, slots=True)
class PlacedOutline:
    """Tables of a surface round an outline, and how its marks move over ray directions.

    Attributes
    ----------
    marks : (N, 2) array
        Directions of the marks.
    by_pixel : (N, 2, 2) array
        Derivative of the directions (first axis after N) by u and v.
    corner, step : (2,) arrays
    inverse_depth, area_before : (T, T) arrays
    normal : (3,) array
    """

    marks: Array
    by_pixel: Array
    corner: Array
    step: Array
    inverse_depth: Array
    area_before: Array
    normal: Array

    @classmethod
    def on(cls, shape: Shape, rays: PixelRays, outline_px: Array) -> PlacedOutline:
        """Prepare an outline (N, 2) in pixels on a surface."""
        marks = np.column_stack(rays.direction(outline_px[:, 0], outline_px[:, 1]))
        moved = [
            np.column_stack(rays.direction(outline_px[:, 0] + du, outline_px[:, 1] + dv))
            for du, dv in ((_STEP_PX, 0.0), (-_STEP_PX, 0.0), (0.0, _STEP_PX), (0.0, -_STEP_PX))
        ]
        by_pixel = np.stack([moved[0] - moved[1], moved[2] - moved[3]], axis=-1) / (2 * _STEP_PX)
        low, high = marks.min(axis=0), marks.max(axis=0)
        low, high = low - _MARGIN * (high - low), high + _MARGIN * (high - low)
        step = (high - low) / (_TABLE - 1)
        x, y = np.meshgrid(
            *(np.linspace(a, b, _TABLE) for a, b in zip(low, high, strict=True)), indexing="ij"
        )
        element = area_element(shape, x, y)
        before = np.zeros_like(element)
        before[1:] = np.cumsum((element[1:] + element[:-1]) / 2 * step[0], axis=0)
        normal = normals_on(shape, x, y).reshape(-1, 3).mean(axis=0)
        depths = np.ascontiguousarray(shape.inverse_depth(x, y))
        return cls(marks, by_pixel, low, step, depths, before, normal / np.linalg.norm(normal))

    def sizes(self, offsets_px: Array) -> Array:
        """Area, perimeter, length and width (D, 4) with marks off by (D, 2 N) pixels, u before v."""
        offsets = offsets_px.reshape(len(offsets_px), len(self.marks), 2)
        placed = self.marks + np.einsum("nij,dnj->dni", self.by_pixel, offsets)
        sizes = np.empty((len(placed), 4))
        tables = self.corner, self.step, self.inverse_depth, self.area_before, self.normal

        def work(first: int, end: int) -> None:
            sizes_over_placings(placed[first:end], *tables, _SIDE_POINTS, sizes[first:end])

        in_bands(len(placed), work)
        return sizes
