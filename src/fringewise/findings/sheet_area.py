"""Area on a smooth surface as an integral over ray directions, and where it is taken."""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.findings.combine import Touch
from fringewise.sound.shape import Shape, area_element, normals_on, points_on

_STEP_SHARE: Final = 1e-3


def area_inside(shape: Shape, x: Array, y: Array, weights: Array) -> float:
    """Area in mm² on the surface, from the nodes and weights of an outline's inside (directions)."""
    return float(np.sum(weights * area_element(shape, x, y)))


def area_touch(shape: Shape, x: Array, y: Array, weights: Array) -> Touch:
    """Where an area is taken: triples of points that say how each small piece stretches.

    A piece's area is n · (∂X/∂x × ∂X/∂y), so that it grows by ∂Δ/∂x · (∂X/∂y × n) + ∂Δ/∂y · (n × ∂X/∂x)
    where the points move by Δ; the derivatives of Δ are taken between neighbouring points on the surface.
    """
    step = _STEP_SHARE * max(float(np.ptp(x)), float(np.ptp(y)), 1e-6) * 10
    base = points_on(shape, x, y)
    right, below = points_on(shape, x + step, y), points_on(shape, x, y + step)
    normal = normals_on(shape, x, y)
    in_x, in_y = (right - base) / step, (below - base) / step
    facing = np.sign(np.einsum("ni,ni->n", np.cross(in_x, in_y), normal))[:, None] * normal
    share = (weights / step)[:, None]
    by_right, by_below = share * np.cross(in_y, facing), share * np.cross(facing, in_x)
    points = np.vstack([base, right, below])
    gradient = np.vstack([-(by_right + by_below), by_right, by_below])
    return Touch.at(points, gradient, decoded=False)
