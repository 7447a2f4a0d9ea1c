"""Sheets with closed formulas for tests of the virtual head."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fringewise.capture import Camera, Head, Lens, NoiseModel, Projector
from fringewise.core.checks import Array
from fringewise.virtual import Mesh, Scene, grid_mesh, standard_head

QUIET_16 = NoiseModel(read_dn=0.0, gain_dn_per_electron=0.0, bits=16)
FACING = np.diag([1.0, -1.0, -1.0])
"""Part's frame whose +z looks at the head, +y up in the picture."""


@dataclass(frozen=True)
class Flat:
    """A rectangle of the plane z = height, with a round hole or a dark dot at (0, 0)."""

    name: str = "flat"
    half: tuple[float, float] = (30.0, 30.0)
    centre: tuple[float, float] = (0.0, 0.0)
    height: float = 0.0
    hole_mm: float = 0.0
    dot_mm: float = 0.0
    tone: float = 0.6
    gloss: float = 1.0

    def mesh(self) -> Mesh:
        (a, b), (s0, t0) = self.half, self.centre
        return grid_mesh(self, s0 + np.linspace(-a, a, 61) * 1.05, t0 + np.linspace(-b, b, 61) * 1.05)

    def point(self, s: Array, t: Array) -> Array:
        return np.column_stack([s, t, np.full_like(s, self.height)])

    def tangents(self, s: Array, t: Array) -> tuple[Array, Array]:
        none, one = np.zeros_like(s), np.ones_like(t)
        return np.column_stack([one, none, none]), np.column_stack([none, one, none])

    def metal(self, s: Array, t: Array) -> npt.NDArray[np.bool_]:
        (a, b), (s0, t0) = self.half, self.centre
        return np.asarray((abs(s - s0) <= a) & (abs(t - t0) <= b) & (np.hypot(s, t) >= self.hole_mm))

    def albedo(self, s: Array, t: Array) -> Array:
        return np.where(np.hypot(s, t) < self.dot_mm, 0.1 * self.tone, self.tone)


@dataclass(frozen=True)
class Ball:
    """The face of a ball about the part's origin that looks along +z; s and t are angles in rad."""

    radius_mm: float
    name: str = "ball"
    gloss: float = 1.0

    def mesh(self) -> Mesh:
        angles = np.linspace(-1.2, 1.2, 201)
        return grid_mesh(self, angles, angles)

    def point(self, s: Array, t: Array) -> Array:
        across = np.cos(t) * self.radius_mm
        return np.column_stack([across * np.sin(s), np.sin(t) * self.radius_mm, across * np.cos(s)])

    def tangents(self, s: Array, t: Array) -> tuple[Array, Array]:
        r = self.radius_mm
        along_s = np.column_stack([np.cos(t) * np.cos(s), np.zeros_like(s), -np.cos(t) * np.sin(s)])
        along_t = np.column_stack([-np.sin(t) * np.sin(s), np.cos(t), -np.sin(t) * np.cos(s)])
        return r * along_s, r * along_t

    def metal(self, s: Array, t: Array) -> npt.NDArray[np.bool_]:
        return np.asarray((abs(s) < 1.15) & (abs(t) < 1.15))

    def albedo(self, s: Array, t: Array) -> Array:
        return np.full(np.broadcast(s, t).shape, 0.5)


def turned(x_deg: float, y_deg: float) -> Array:
    """Rotation of the part: facing the head, then tilted about the picture's x and y."""
    a, b = np.radians([x_deg, y_deg])
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    return np.asarray(about_y @ about_x @ FACING)


def flat_scene(
    z_mm: float = 17.0, x_deg: float = 0.0, y_deg: float = 0.0, sheet: Flat | None = None
) -> Scene:
    """One flat sheet whose middle is at (0, 0, z)."""
    return Scene((sheet or Flat(),), turned(x_deg, y_deg), np.array([0.0, 0.0, z_mm]))


def small_head(width: int = 240, height: int = 180, noise: NoiseModel | None = QUIET_16) -> Head:
    """The standard head with fewer, larger pixels and, by default, without noise and with 16 bits."""
    return replace(standard_head(width, height), noise=noise)


def keyhole_head(noise: NoiseModel | None = QUIET_16) -> Head:
    """The middle 120 × 90 pixels of the standard head, as fine as they are."""
    lens = replace(standard_head().camera.lens, cx=61.3, cy=44.8)
    return replace(standard_head(), camera=Camera(120, 90, lens), noise=noise)


def bent_head() -> Head:
    """A head with distortion of both lenses, a turned projector and rows; none of its numbers are round."""
    camera = Camera(
        120, 90, Lens(88.1, 86.9, 57.3, 46.1, (-0.21, 0.07, 0.002, -0.003, 0.011, 0.02, -0.01, 0.004))
    )
    projector = Projector(
        Lens(812.0, 806.5, 497.0, 388.0, (0.12, -0.05, -0.004, 0.003, 0.01)),
        1000.0,
        800.0,
        turned(2.0, -5.0) @ FACING,
        np.array([-3.1, 0.2, 0.4]),
    )
    return Head("BENT", camera, projector, noise=QUIET_16)
