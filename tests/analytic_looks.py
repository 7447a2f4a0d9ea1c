"""Surfaces by first principles: a ball with a dent, seen along the rays of a small head, noise along the ray.

Shares no code with measuring or rendering: each ray's point is found by stepping until it lies on the part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fringewise.capture.head import Head
from fringewise.core.checks import Array
from fringewise.surface.surface import Surface
from fringewise.virtual import standard_head

WIDTH, HEIGHT = 320, 240


@dataclass(frozen=True)
class DentedBall:
    """A ball (centre below the head's axis) with a round bell dent where the axis meets it.

    The surface lies at the radius R − depth (1 − (a/half)²)⁴ at the arc a from the dent's middle.
    """

    standoff_mm: float = 15.0
    radius_mm: float = 25.0
    depth_mm: float = 0.2
    half_width_mm: float = 1.2
    turn_rad: float = 0.25

    @property
    def centre(self) -> Array:
        return np.array([0.0, 0.0, self.standoff_mm + self.radius_mm])

    @property
    def middle(self) -> Array:
        """Direction from the centre to the dent's middle: turned away from the axis, for a slanting view."""
        way = np.array([np.sin(self.turn_rad) * 0.12, 0.05, -1.0])
        return np.asarray(way / np.linalg.norm(way))

    def radius_at(self, outward: Array) -> Array:
        """Radius of the surface in directions (…, 3) from the centre."""
        arc = self.radius_mm * np.arccos(np.clip(outward @ self.middle, -1, 1))
        rest = np.maximum(1 - (arc / self.half_width_mm) ** 2, 0.0)
        return np.asarray(self.radius_mm - self.depth_mm * rest**4)

    def on_part(self, arc_mm: float, angle: float) -> Array:
        """The undamaged ball's point at an arc from the dent's middle, at an angle round it."""
        first = np.cross(self.middle, [0.0, 1.0, 0.0])
        first /= np.linalg.norm(first)
        second = np.cross(self.middle, first)
        turn = arc_mm / self.radius_mm
        way = np.cos(angle) * first + np.sin(angle) * second
        return np.asarray(self.centre + self.radius_mm * (np.cos(turn) * self.middle + np.sin(turn) * way))


def small_head() -> Head:
    return standard_head(WIDTH, HEIGHT)


def surface_of(part: DentedBall, head: Head, noise_mm: float, rng: np.random.Generator) -> Surface:
    """See a part along every pixel's ray, with independent noise along the ray."""
    v, u = np.mgrid[: head.camera.height, : head.camera.width].astype(np.float64)
    x, y = head.camera.lens.direction(u, v)
    rays = np.stack([x, y, np.ones_like(x)], axis=-1)
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    along = np.full(u.shape, part.standoff_mm)
    for _ in range(40):  # towards the surface, a bit less than the distance left
        off = along[..., None] * rays - part.centre
        distance = np.linalg.norm(off, axis=-1)
        slope = np.einsum("...i,...i", off, rays) / distance
        along = along - (distance - part.radius_at(off / distance[..., None])) / np.where(
            slope < -0.05, slope, -0.05
        )
    seen = slope < -0.3
    noisy = along + rng.normal(0.0, 1.0, along.shape) * noise_mm
    xyz = np.where(seen[..., None], noisy[..., None] * rays, np.nan).astype(np.float32)
    sigma = np.where(seen, max(noise_mm, 1e-6), np.nan).astype(np.float32)
    flags = np.where(seen, 0, 256).astype(np.uint16)
    return Surface(xyz, sigma, flags, head=head)


def pixels_of(head: Head, points_mm: Array) -> Array:
    """Pixel coordinates (N, 2) of points (N, 3)."""
    points = np.atleast_2d(points_mm)
    return np.column_stack(head.camera.lens.pixel(points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]))
