"""A small capture from first principles: a plane seen without distortion, so that a test knows all of it."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Final

import numpy as np

from fringewise.capture import Camera, Capture, FringeFrames, FringeSet, Head, Lens, NoiseModel, Projector

WIDTH: Final = 64
HEIGHT: Final = 48
SEED: Final = 20260314
TAKEN: Final = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)


def small_head() -> Head:
    """Give a head of 64 × 48 pixels with the baseline of the standard one."""
    return Head(
        serial="SMALL-1",
        camera=Camera(WIDTH, HEIGHT, Lens(46.7, 46.7, 31.0, 23.5)),
        projector=Projector(Lens(0.72, 1.0, 0.5, 0.0), 1.0, None, np.eye(3), np.array([-2.6, 0.0, 0.0])),
        probes=("PB-1",),
        noise=NoiseModel(1.23, 0.02, 8),
        working_range_mm=(6.0, 60.0),
    )


def plane_frames(fringe_set: FringeSet, head: Head, z_mm: float, rng: np.random.Generator) -> FringeFrames:
    """Render a plane at constant depth: I = 128 + 50 cos(2π f c + shift) with 1.2 grey levels of noise."""
    lens, projector = head.camera.lens, head.projector
    x = (np.arange(head.camera.width) - lens.cx) / lens.fx
    column = projector.lens.fx * (x + projector.translation_mm[0] / z_mm) + projector.lens.cx
    phase = 2 * math.pi * fringe_set.fringes * column
    levels = np.array([128 + 50 * np.cos(phase + shift) for shift in fringe_set.shifts_rad])
    size = (len(levels), head.camera.height, head.camera.width)
    noisy = levels[:, None, :] + rng.normal(0.0, 1.2, size)
    return FringeFrames(fringe_set, np.clip(np.rint(noisy), 0, 255).astype(np.uint8))


def small_capture(z_mm: float = 17.0, counts: tuple[float, ...] = (1.0, 7.0)) -> Capture:
    """Give a whole small capture of a plane at `z_mm`."""
    head, rng = small_head(), np.random.default_rng(SEED)
    shifts = tuple(math.radians(degrees) for degrees in (0, 90, 180, 270))
    sets = tuple(plane_frames(FringeSet(count, shifts), head, z_mm, rng) for count in counts)
    photo = np.full((HEIGHT, WIDTH, 3), (120, 125, 130), np.uint8)
    return Capture(TAKEN, head, sets, photo, probe="PB-1", note="a plane")
