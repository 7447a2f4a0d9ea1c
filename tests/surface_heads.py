"""Heads and made-up surfaces that the tests of this room share."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fringewise.capture import Camera, Head, Lens, NoiseModel, Projector
from fringewise.capture.head import rotation_from_vector
from fringewise.core.checks import Array

Float32Array = npt.NDArray[np.float32]


def straight_head(width: int = 240, height: int = 180) -> Head:
    """A head of the common kind: the camera's lens distorts, the projector's does not."""
    scale = width / 960
    lens = Lens(700 * scale, 700 * scale, 471.3 * scale, 365.8 * scale, (-0.11, 0.035, 0.0006, -0.0004))
    projector = Projector(Lens(0.72, 1, 0.5, 0), 1.0, None, np.eye(3), np.array([-2.6, 0.0, 0.0]))
    noise = NoiseModel(1.23, 0.02, 8)
    return Head("S", Camera(width, height, lens), projector, noise=noise, working_range_mm=(6.0, 60.0))


def turned_head(*distortion: float, width: int = 240, height: int = 180) -> Head:
    """The same camera with a projector that is turned, shifted in all three directions and may distort."""
    straight = straight_head(width, height)
    projector = Projector(
        Lens(0.72, 0.96, 0.48, 0.4, distortion),
        1.0,
        0.8,
        rotation_from_vector([0.03, -0.12, 0.05]),
        np.array([-2.6, 0.3, -0.4]),
    )
    return Head("T", straight.camera, projector, noise=straight.noise)


def rays_of(head: Head) -> Array:
    """Directions (x, y, 1) of all pixels in double precision (H, W, 3)."""
    v, u = np.mgrid[: head.camera.height, : head.camera.width]
    x, y = head.camera.lens.direction(u, v)
    return np.stack([x, y, np.ones_like(x)], axis=-1)


def columns_for(head: Head, z_mm: Array) -> Float32Array:
    """Pattern columns that pixels see on a surface of the given depth (H, W)."""
    return head.projector.column_row(rays_of(head) * z_mm[..., None])[0].astype(np.float32)
