"""Which pattern columns a pixel can see at all: those of its ray within the head's working range."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.capture.head import Head
from fringewise.core.checks import Array

GRID_SPACING: Final = 16
"""Pixels between the places where the reach is worked out; it is smooth in between."""

_UNBOUNDED_MM: Final = (1e-2, 1e7)


def columns_in_reach(head: Head) -> Array:
    """Least and greatest pattern column, within 0 … 1, that each pixel's ray meets in the working range.

    Without a working range all that lies in front of the head counts.

    Returns
    -------
    reach : (2, h, w)
        On a grid of every `GRID_SPACING`-th pixel that covers the whole image. Where the camera's lens has no
        ray, or part of the range lies behind the projector, 0 and 1.
    """
    width, height = head.camera.width, head.camera.height
    u = np.arange(0, width + GRID_SPACING, GRID_SPACING, dtype=np.float64)
    v = np.arange(0, height + GRID_SPACING, GRID_SPACING, dtype=np.float64)
    x, y = head.camera.lens.direction(*np.meshgrid(u, v))
    rays = np.stack([x, y, np.ones_like(x)], axis=-1)
    ends = np.stack([_columns(head, rays * depth) for depth in head.working_range_mm or _UNBOUNDED_MM])
    known = np.all(np.isfinite(ends), axis=0)
    least = np.where(known, ends.min(axis=0), 0.0)
    greatest = np.where(known, ends.max(axis=0), 1.0)
    return np.stack([np.clip(least, 0.0, 1.0), np.clip(greatest, 0.0, 1.0)])


def _columns(head: Head, points_mm: Array) -> Array:
    """Pattern columns of points; NaN for those that the projector can't light."""
    projector = head.projector
    ahead = (points_mm @ projector.rotation.T + projector.translation_mm)[..., 2] > 0
    with np.errstate(all="ignore"):
        column, _ = projector.column_row(points_mm)
    return np.where(ahead, column, np.nan)
