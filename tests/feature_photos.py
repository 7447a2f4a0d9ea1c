"""Photos of dots and corners with a truth: shapes on a plane seen through a homography, many rays a pixel.

Shares no code with finding: a pixel is the mean over its square of the scene, blurred before that.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Scene = Callable[[Array, Array], Array]
RAYS = 8


def photo_of(
    scene: Scene,
    homography: Array,
    size: int = 96,
    *,
    blur_px: float = 0.7,
    shade: tuple[float, float] = (0.0, 0.0),
    noise_dn: float = 0.0,
    rng: np.random.Generator | None = None,
) -> npt.NDArray[np.uint8]:
    """Render `scene(x, y)` (grey levels on the plane) where `homography` takes plane points to pixels.

    `shade` is the relative change of the light a pixel in u and v, from the middle of the photo.
    """
    rays = (np.arange(size * RAYS) + 0.5) / RAYS - 0.5
    u, v = np.meshgrid(rays, rays)
    back = np.linalg.inv(homography)
    w = back[2, 0] * u + back[2, 1] * v + back[2, 2]
    x = (back[0, 0] * u + back[0, 1] * v + back[0, 2]) / w
    y = (back[1, 0] * u + back[1, 1] * v + back[1, 2]) / w
    fine: Array = scene(x, y) * (1 + shade[0] * (u - size / 2) + shade[1] * (v - size / 2))
    if blur_px > 0:
        blurred = cv2.GaussianBlur(fine, (0, 0), blur_px * RAYS, borderType=cv2.BORDER_REPLICATE)
        fine = blurred.astype(np.float64)
    light: Array = fine.reshape(size, RAYS, size, RAYS).mean(axis=(1, 3)).astype(np.float64)
    if rng is not None:
        light = light + rng.normal(0, noise_dn, light.shape)
    levels: npt.NDArray[np.uint8] = np.clip(np.rint(light), 0, 255).astype(np.uint8)
    return levels


def dot(radius: float = 1.0, inside: float = 30.0, outside: float = 150.0) -> Scene:
    """A round dot about the plane's origin."""
    return lambda x, y: np.where(x * x + y * y < radius * radius, inside, outside)


def crossing(dark: float = 30.0, light: float = 150.0, pitch: float = 1e9, lean_rad: float = 0.0) -> Scene:
    """A checkerboard with a corner at the plane's origin; `lean_rad` shears its lines off square."""

    def scene(x: Array, y: Array) -> Array:
        columns = np.floor((x - np.tan(lean_rad) * y) / pitch).astype(int)
        rows = np.floor(y / pitch).astype(int)
        return np.where((columns + rows) % 2 == 0, light, dark)

    return scene


def view(
    u: float, v: float, scale_px: float, *, turn_rad: float = 0.0, stretch: float = 1.0, lean_rad: float = 0.0
) -> Array:
    """A homography without perspective: plane origin at (u, v), turned, one way shortened by `stretch`."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    t, w = np.cos(lean_rad), np.sin(lean_rad)
    linear = np.array([[t, -w], [w, t]]) @ np.diag([1.0, stretch]) @ np.array([[c, -s], [s, c]])
    return np.block([[scale_px * linear, np.array([[u], [v]])], [np.zeros((1, 2)), np.ones((1, 1))]])


def tilted_view(
    tilt_rad: float, turn_rad: float, standoff_mm: float, focal_px: float, u: float, v: float
) -> Array:
    """A pinhole's view of a plane (mm) whose origin lies on the axis at `standoff_mm`, seen at (u, v)."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    t, w = np.cos(tilt_rad), np.sin(tilt_rad)
    around = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    rotation = around @ np.array([[1, 0, 0], [0, t, -w], [0, w, t]])
    camera = np.array([[focal_px, 0, u], [0, focal_px, v], [0, 0, 1.0]])
    return np.asarray(camera @ np.column_stack([rotation[:, :2], [0, 0, standoff_mm]]))
