"""Normals of a surface, from plane fits to each point's neighbours."""

from __future__ import annotations

import math

import numpy as np

from fringewise.core.bands import in_bands
from fringewise.surface.cleaning import CleaningRule, focal_px
from fringewise.surface.normal_kernels import fit_normals
from fringewise.surface.surface import Float32Array, Surface


def normals(surface: Surface, window_px: int = 7) -> Float32Array:
    """Give each usable point's unit normal (H, W, 3) towards the head, camera frame.

    A plane is fitted to the usable points in a square window round the pixel by weighted least squares. Where
    the window holds a step or a ridge, only those points count that can lie on the pixel's own surface.

    Parameters
    ----------
    surface : Surface
    window_px : int
        Side of the window, odd, 3 or more.

    Returns
    -------
    (H, W, 3) float32
        NaN where the pixel is not usable or fewer than 6 points tell no plane.

    Raises
    ------
    ValueError
        The window is even or smaller than 3.

    Examples
    --------
    >>> y, x = np.mgrid[-8:9, -8:9] / 100
    >>> z = 20 / (1 - 0.5 * x)  # a plane that leans away to the right
    >>> xyz = np.stack([x * z, y * z, z], axis=-1).astype(np.float32)
    >>> plane = Surface(xyz, np.full(z.shape, 0.01, np.float32), np.zeros(z.shape, np.uint16))
    >>> [round(float(part), 3) + 0.0 for part in normals(plane)[8, 8]]
    [0.447, 0.0, -0.894]
    """
    if window_px < 3 or window_px % 2 == 0:
        raise ValueError(f"window_px must be odd and 3 or more (found {window_px})")
    height, width = surface.shape
    live = surface.usable & (surface.sigma_mm > 0) & (surface.xyz_mm[..., 2] > 0)
    made = np.full((height, 3 * width), np.nan, dtype=np.float32)
    if live.any():
        middle = _middle(surface.xyz_mm[live])
        slope2 = (math.tan(math.radians(CleaningRule().steepest_deg)) / focal_px(surface)) ** 2
        xyz = np.ascontiguousarray(surface.xyz_mm).reshape(height, 3 * width)
        sigma = np.ascontiguousarray(surface.sigma_mm)
        window = (xyz, sigma, live, window_px // 2, slope2, middle, made)
        in_bands(height, lambda first, end: fit_normals(*window, first, end))
    return made.reshape(height, width, 3)


def _middle(points: Float32Array) -> tuple[float, float, float]:
    """A direction and inverse depth amid the points: sums are taken from there, to lose no digits."""
    z = points[:, 2]
    return tuple(float(np.mean(part)) for part in (points[:, 0] / z, points[:, 1] / z, 1 / z))  # type: ignore[return-value]
