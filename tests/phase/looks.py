"""Fringe frames from first principles, for tests: no lens, no renderer, nothing shared with the product."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from fringewise.capture import Camera, Capture, FringeFrames, FringeSet, Head, Lens, NoiseModel, Projector

Array = npt.NDArray[np.float64]
Frames = Any

TAKEN = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)
NOISE = NoiseModel(read_dn=1.23, gain_dn_per_electron=0.02, bits=8)
FOCAL_PX, FOCAL_PATTERN, BASELINE_MM = 700.0, 0.72, 2.6


def even(shifts: int) -> tuple[float, ...]:
    """Shifts spread evenly over one turn, in rad."""
    return tuple(2 * math.pi * n / shifts for n in range(shifts))


def simple_head(
    shape: tuple[int, int],
    noise: NoiseModel | None = NOISE,
    working_range_mm: tuple[float, float] | None = (6.0, 60.0),
) -> Head:
    """A head without lens distortion, its projector 2.6 mm to the right of the camera."""
    height, width = shape
    camera = Camera(width, height, Lens(FOCAL_PX, FOCAL_PX, (width - 1) / 2, (height - 1) / 2))
    lens = Lens(FOCAL_PATTERN, 1.0, 0.5, 0.0)
    projector = Projector(lens, 1.0, None, np.eye(3), np.array([-BASELINE_MM, 0.0, 0.0]))
    return Head("TEST", camera, projector, noise=noise, working_range_mm=working_range_mm)


def exposed(level: Array, rng: np.random.Generator | None, noise: NoiseModel = NOISE) -> Frames:
    """Turn grey levels into a frame: read-out and photon noise (none without `rng`), rounding, clipping."""
    if rng is not None:
        variance = noise.variance_dn2(level) - 1 / 12  # rounding adds the rest
        level = level + rng.standard_normal(level.shape) * np.sqrt(np.maximum(variance, 0.0))
    whole = np.clip(np.round(level), 0, noise.saturation_dn)
    return whole.astype(np.uint8 if noise.bits <= 8 else np.uint16)


def stacked(frames: Sequence[Frames]) -> Frames:
    """Frames on top of each other (N, H, W)."""
    return np.stack(frames)


def fringe_frames(
    column: Array,
    fringe_set: FringeSet,
    rng: np.random.Generator | None,
    *,
    mean: Array | float = 100.0,
    modulation: Array | float = 60.0,
    noise: NoiseModel = NOISE,
) -> FringeFrames:
    """The frames of one set over pattern columns (H, W): I = A + B cos(2π f c + shift)."""
    levels = [
        mean + modulation * np.cos(2 * np.pi * fringe_set.fringes * column + shift)
        for shift in fringe_set.shifts_rad
    ]
    return FringeFrames(fringe_set, stacked([exposed(level, rng, noise) for level in levels]))


def look_at(
    column: Array,
    plan: Sequence[FringeSet],
    rng: np.random.Generator | None,
    *,
    mean: Array | float = 100.0,
    modulation: Array | float = 60.0,
    noise: NoiseModel = NOISE,
    head: Head | None = None,
) -> Capture:
    """A capture of given pattern columns."""
    sets = tuple(
        fringe_frames(column, one, rng, mean=mean, modulation=modulation, noise=noise) for one in plan
    )
    return Capture(TAKEN, head or simple_head(column.shape, noise), sets)


@dataclass(frozen=True)
class Part:
    """A curved, tilted, painted sheet z = h(x, y) before a simple head, for motion between frames.

    Attributes
    ----------
    standoff_mm : float
    slope : (2,) array
    curvature_per_mm : (2,) array
        1/radius along x and y.
    half_size_mm : (2,) array
        The sheet ends there; beyond it is dark.
    texture : float
        Contrast of its blotches.
    waves : (K, 4) array
        Wave numbers (rad/mm), phase and share of the blotches.
    gloss : float
        Height of a mirror-like lobe as a multiple of the diffuse light.
    """

    standoff_mm: float
    slope: Array
    curvature_per_mm: Array
    half_size_mm: Array
    texture: float
    waves: Array
    gloss: float = 0.0

    def height(self, x: Array, y: Array) -> Array:
        bent = 0.5 * (self.curvature_per_mm[0] * x**2 + self.curvature_per_mm[1] * y**2)
        return np.asarray(self.standoff_mm + self.slope[0] * x + self.slope[1] * y + bent)

    def paint(self, x: Array, y: Array) -> Array:
        blotches = np.float32(0.0)
        if self.texture:
            x4, y4 = x.astype(np.float32), y.astype(np.float32)  # their cosine is quicker, and paint is paint
            for kx, ky, phase, share in self.waves.astype(np.float32):
                blotches = blotches + share * np.cos(kx * x4 + (ky * y4 + phase))
        inside = np.minimum(self.half_size_mm[0] - np.abs(x), self.half_size_mm[1] - np.abs(y))
        soft = np.clip(0.5 + inside / 0.025, 0.0, 1.0)  # a pixel's width at 17 mm
        return np.asarray(soft * (1 + self.texture * blotches))


def random_part(rng: np.random.Generator, texture: float, gloss: float = 0.0) -> Part:
    """Draw a sheet like part of a blade at 17 mm."""
    waves = np.column_stack(
        [rng.normal(0, 6, (12, 2)), rng.uniform(0, 2 * np.pi, 12), rng.uniform(0.1, 0.4, 12)]
    )
    return Part(
        standoff_mm=17.0,
        slope=rng.uniform(-0.35, 0.35, 2),
        curvature_per_mm=rng.uniform(-1, 1, 2) / rng.uniform(15, 80, 2),
        half_size_mm=rng.uniform(4.0, 9.0, 2),
        texture=texture,
        waves=waves,
        gloss=gloss,
    )


def moving_look(
    part: Part,
    plan: Sequence[FringeSet],
    drift_mm: Array,
    rng: np.random.Generator,
    *,
    shape: tuple[int, int] = (720, 960),
    gamma: float = 1.0,
    light: float = 100.0,
    contrast: float = 0.85,
) -> Capture:
    """A capture during which the part drifts evenly by `drift_mm` from the first frame to the last."""
    v, u = np.mgrid[: shape[0], : shape[1]]
    x, y = (u - (shape[1] - 1) / 2) / FOCAL_PX, (v - (shape[0] - 1) / 2) / FOCAL_PX
    depth = _depth(part, x, y, np.zeros(3), np.full_like(x, part.standoff_mm), steps=7)
    seen = _seen(part, x, y, np.zeros(3), depth)
    shares = iter(np.linspace(0, 1, sum(len(one.shifts_rad) for one in plan)))
    sets = []
    for one in plan:
        frames = []
        for shift in one.shifts_rad:
            at = drift_mm * next(shares)
            if np.any(at):
                depth = _depth(part, x, y, at, depth, steps=3)  # from the last frame's: 0.01 µm are left
                seen = _seen(part, x, y, at, depth)
            bright, column = seen
            level = light * bright * (1 + contrast * np.cos(2 * np.pi * one.fringes * column + shift)) + 1.0
            frames.append(exposed(100.0 * (np.maximum(level, 0) / 100.0) ** gamma, rng))
        sets.append(FringeFrames(one, stacked(frames)))
    return Capture(TAKEN, simple_head(shape), tuple(sets))


def _depth(part: Part, x: Array, y: Array, at: Array, depth: Array, steps: int) -> Array:
    """Where each ray meets the sheet that has moved by `at`, by fixed point steps from `depth`."""
    for _ in range(steps):
        depth = part.height(x * depth - at[0], y * depth - at[1]) + at[2]
    return depth


def _seen(part: Part, x: Array, y: Array, at: Array, depth: Array) -> tuple[Array, Array]:
    """How bright each pixel is as a share of `light`, and its pattern column."""
    px, py = x * depth - at[0], y * depth - at[1]
    slope_x = part.slope[0] + part.curvature_per_mm[0] * px
    slope_y = part.slope[1] + part.curvature_per_mm[1] * py
    bright = (1 - slope_x * x - slope_y * y) / np.sqrt(1 + slope_x**2 + slope_y**2)
    if part.gloss:
        bright = bright + part.gloss * np.exp(-((slope_x + x) ** 2 + (slope_y + y) ** 2) / 0.02)
    column = FOCAL_PATTERN * (x - BASELINE_MM / depth) + 0.5
    return part.paint(px, py) * bright * (17.0 / depth) ** 2, column
