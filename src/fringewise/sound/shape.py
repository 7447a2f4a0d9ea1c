"""Geometry on a smooth surface given as inverse depth over ray directions: points, normals, feet, distances.

A surface w(x, y) is the zero of F(X, Y, Z) = Z w(X/Z, Y/Z) - 1, whose gradient there is
(w_x, w_y, w - x w_x - y w_y). Normals point towards the head; above the surface is nearer the head.
"""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np

from fringewise.core.checks import Array
from fringewise.sound.points import on_rays

_FOOT_STEPS: Final = 4


class Shape(Protocol):
    """A smooth surface as inverse depth w (1/mm) over ray directions (x, y)."""

    def inverse_depth(self, x: Array, y: Array) -> Array:
        """Give w at directions of any shape."""

    def slopes(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Give the derivatives of w by x and by y."""


def points_on(shape: Shape, x: Array, y: Array) -> Array:
    """Points (…, 3) in mm of the surface on the rays (x, y)."""
    return on_rays(x, y, shape.inverse_depth(x, y))


def normals_on(shape: Shape, x: Array, y: Array) -> Array:
    """Unit normals (…, 3) towards the head, on the rays (x, y)."""
    w = shape.inverse_depth(x, y)
    wx, wy = shape.slopes(x, y)
    gradient = np.stack([wx, wy, w - x * wx - y * wy], axis=-1)
    return np.asarray(-gradient / np.linalg.norm(gradient, axis=-1, keepdims=True))


def area_element(shape: Shape, x: Array, y: Array) -> Array:
    """Area on the surface (mm²) for a unit of dx dy: |∂X/∂x × ∂X/∂y|.

    With z = 1/w: ∂X/∂x × ∂X/∂y = z³ ∇F, so that the element is |∇F| z³.
    """
    w = shape.inverse_depth(x, y)
    wx, wy = shape.slopes(x, y)
    gradient = np.stack([wx, wy, w - x * wx - y * wy], axis=-1)
    return np.asarray(np.linalg.norm(gradient, axis=-1) / w**3)


def feet(shape: Shape, points_mm: Array) -> tuple[Array, Array, Array]:
    """Nearest points of the surface: directions x and y of the foot and the signed distance (mm).

    The distance is positive where the point lies above the surface (nearer the head). Found by stepping
    back along the normal; right for points nearer than the surface's radius of curvature.
    """
    x, y = points_mm[..., 0] / points_mm[..., 2], points_mm[..., 1] / points_mm[..., 2]
    height = np.zeros_like(x)
    for _ in range(_FOOT_STEPS):
        normal = normals_on(shape, x, y)
        height = np.einsum("...i,...i", points_mm - points_on(shape, x, y), normal)
        foot = points_mm - height[..., None] * normal
        x, y = foot[..., 0] / foot[..., 2], foot[..., 1] / foot[..., 2]
    return x, y, height


def polyline_length(points_mm: Array) -> float:
    """Length (mm) of the line through points (N, 3)."""
    return float(np.linalg.norm(np.diff(points_mm, axis=0), axis=1).sum())
