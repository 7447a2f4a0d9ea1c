"""Rays out of the camera and points back into pictures, by the lens model of format 2, worked out anew here.

With x = X/Z, y = Y/Z, q = x² + y² and L = (1 + k1 q + k2 q² + k3 q³) / (1 + k4 q + k5 q² + k6 q³)::

    u = fx (x L + 2 p1 x y + p2 (q + 2 x²)) + cx      v = fy (y L + p1 (q + 2 y²) + 2 p2 x y) + cy

This room shares no code with decoding: the head is data to it, and none of its methods are used.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from fringewise.capture.head import Head
from fringewise.capture.lens import Lens
from fringewise.core.checks import Array
from fringewise.core.kernels import kernel

_LENS_NUMBERS: Final = 12


def project(points_camera_mm: Array, head: Head) -> tuple[Array, Array]:
    """Pixel coordinates (u, v) at which the head's camera sees points, as a mark would be placed.

    Parameters
    ----------
    points_camera_mm : (…, 3) array
        In the camera's frame, mm.
    head : Head

    Returns
    -------
    (u, v)
        Pixels, any shape; NaN for points that are not before the camera (z ≤ 0).

    Examples
    --------
    >>> from fringewise.virtual.standard import standard_head
    >>> u, v = project(np.array([[0.0, 0.0, 17.0]]), standard_head())
    >>> float(u[0]), float(v[0])
    (471.3, 365.8)
    """
    points = np.asarray(points_camera_mm, dtype=np.float64)
    flat = np.ascontiguousarray(points.reshape(-1, 3))
    image = np.empty((len(flat), 2))
    _project_all(flat, lens_numbers(head.camera.lens), image)
    u, v = image.reshape(*points.shape[:-1], 2)[..., 0], image.reshape(*points.shape[:-1], 2)[..., 1]
    return u, v


def pattern_place(points_camera_mm: Array, head: Head) -> tuple[Array, Array]:
    """Pattern column c and row r (0 … 1 inside the pattern) of the light that falls on points.

    Parameters
    ----------
    points_camera_mm : (…, 3) array
        In the camera's frame, mm.
    head : Head

    Returns
    -------
    (c, r)
        Any shape; r is NaN where the head's projector has no rows, both where a point lies behind it.
    """
    projector = head.projector
    points = np.asarray(points_camera_mm, dtype=np.float64)
    there = points.reshape(-1, 3) @ projector.rotation.T + projector.translation_mm
    image = np.empty((len(there), 2))
    _project_all(np.ascontiguousarray(there), lens_numbers(projector.lens), image)
    column = image[:, 0] / projector.width
    row = image[:, 1] / projector.height if projector.height is not None else np.full(len(there), np.nan)
    return column.reshape(points.shape[:-1]), row.reshape(points.shape[:-1])


def directions(u: Array, v: Array, head: Head) -> Array:
    """Directions (N, 3) with z = 1 along which pixel coordinates (N,) look; NaN where the lens has none."""
    found = np.empty((len(u), 3))
    _look_along(
        np.ascontiguousarray(u, dtype=np.float64),
        np.ascontiguousarray(v, dtype=np.float64),
        lens_numbers(head.camera.lens),
        found,
    )
    return found


def projector_centre(head: Head) -> Array:
    """Where the projector's light comes from (3,), in the camera's frame, mm."""
    return np.asarray(-head.projector.rotation.T @ head.projector.translation_mm)


def lens_numbers(lens: Lens) -> Array:
    """The lens as the numbers fx fy cx cy k1 k2 p1 p2 k3 k4 k5 k6, for the kernels."""
    numbers = np.zeros(_LENS_NUMBERS)
    numbers[:4] = lens.fx, lens.fy, lens.cx, lens.cy
    numbers[4 : 4 + len(lens.distortion)] = lens.distortion
    return numbers


@kernel(inline=True)
def _bend(x: float, y: float, lens: Array) -> tuple[float, float]:
    q = x * x + y * y
    over = 1.0 + q * (lens[4] + q * (lens[5] + q * lens[8]))
    under = 1.0 + q * (lens[9] + q * (lens[10] + q * lens[11]))
    stretch = over / under
    across = 2.0 * x * y
    return (
        x * stretch + lens[6] * across + lens[7] * (q + 2.0 * x * x),
        y * stretch + lens[6] * (q + 2.0 * y * y) + lens[7] * across,
    )


@kernel()
def _project_all(points: Array, lens: Array, image: Array) -> None:
    for i in range(len(points)):
        z = points[i, 2]
        if not z > 0.0:
            image[i, 0] = np.nan
            image[i, 1] = np.nan
            continue
        x, y = _bend(points[i, 0] / z, points[i, 1] / z, lens)
        image[i, 0] = lens[0] * x + lens[2]
        image[i, 1] = lens[1] * y + lens[3]


@kernel()
def _look_along(u: Array, v: Array, lens: Array, found: Array) -> None:
    """Solve bend(x, y) = (a, b): quotients of differences stand for the derivatives (a secant method)."""
    step = 1e-6
    for i in range(len(u)):
        a = (u[i] - lens[2]) / lens[0]
        b = (v[i] - lens[3]) / lens[1]
        x, y, settled = a, b, False
        for _ in range(30):
            x0, y0 = _bend(x, y, lens)
            ex, ey = a - x0, b - y0
            if not abs(ex) + abs(ey) < 1e6:
                break
            x1, y1 = _bend(x + step, y, lens)
            x2, y2 = _bend(x, y + step, lens)
            xx, yx, xy, yy = x1 - x0, y1 - y0, x2 - x0, y2 - y0
            scale = step / (xx * yy - xy * yx)
            dx, dy = (yy * ex - xy * ey) * scale, (xx * ey - yx * ex) * scale
            x += dx
            y += dy
            if abs(dx) + abs(dy) < 1e-8:  # the next step would be a millionth of this one
                settled = True
                break
        found[i, 0] = x if settled else np.nan
        found[i, 1] = y if settled else np.nan
        found[i, 2] = 1.0
