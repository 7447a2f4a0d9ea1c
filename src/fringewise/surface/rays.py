"""Points on the part from pattern columns: each pixel's ray meets the surface that its column lights."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

from fringewise.capture.head import Camera, Head
from fringewise.core.bands import in_bands
from fringewise.core.flags import FlagArray
from fringewise.surface.depth_kernels import curved_depth, straight_depth
from fringewise.surface.surface import Float32Array

Number = TypeVar("Number", bound=np.generic)

_TABLES_KEPT: Final = 4
_LEAST_DEPTH_MM: Final = 1e-6


@dataclass(frozen=True, slots=True)
class RayTable:
    """Directions (x, y, 1) of all pixel centres with the lens's distortion taken out.

    Attributes
    ----------
    x, y : (H, W) float32
        NaN where the lens model has no direction. Rounding turns a ray by less than 0.0001 px.
    """

    x: Float32Array
    y: Float32Array


@functools.lru_cache(maxsize=_TABLES_KEPT)
def ray_table(camera: Camera) -> RayTable:
    """Give the camera's ray table, made at the first call and kept for the last few cameras.

    Examples
    --------
    >>> from fringewise.capture import Lens
    >>> table = ray_table(Camera(960, 720, Lens(700.0, 700.0, 480.0, 360.0)))
    >>> float(table.x[360, 550])
    0.10000000149011612
    """
    v, u = np.mgrid[: camera.height, : camera.width]
    x, y = (part.astype(np.float32) for part in camera.lens.direction(u, v))
    x.setflags(write=False)
    y.setflags(write=False)
    return RayTable(x, y)


def points_on_rays(
    head: Head, column: Float32Array, column_sigma: Float32Array, flags: FlagArray
) -> tuple[Float32Array, Float32Array, FlagArray]:
    """Meet each pixel's ray with the surface of its pattern column.

    The standard uncertainty is that of the distance along the ray, |∂range/∂c| · σ_c. Arithmetic is in double
    precision where figures cancel; results agree with a root finder on the same rays to 0.01 µm at 20 mm.

    Parameters
    ----------
    head : Head
    column, column_sigma : (H, W) float32
        Pattern column 0 … 1 and its standard uncertainty; NaN where there is none.
    flags : (H, W) uint16

    Returns
    -------
    xyz_mm : (H, W, 3) float32
        In the camera frame; NaN where there is no point in front of the head.
    sigma_mm : (H, W) float32
    flags : (H, W) uint16
        As given, with ``OUTSIDE_RANGE`` for points behind the head or outside its working range (by z) and
        ``NO_SURFACE`` where there is no point at all.

    Examples
    --------
    >>> from fringewise.capture import Lens, Projector
    >>> projector = Projector(Lens(0.72, 1, 0.5, 0), 1.0, None, np.eye(3), np.array([-2.6, 0, 0]))
    >>> head = Head("H", Camera(3, 1, Lens(700.0, 700.0, 1.0, 0.0)), projector)
    >>> c = np.full((1, 3), 0.5 - 0.72 * 2.6 / 20, dtype=np.float32)  # a wall at 20 mm
    >>> xyz, sigma, flags = points_on_rays(head, c, np.full_like(c, 1e-5), np.zeros((1, 3), np.uint16))
    >>> [round(float(n), 4) for n in (xyz[0, 1, 2], sigma[0, 1])]  # σ = z² / (fx b) · σ_c
    [20.0, 0.0021]
    """
    table = ray_table(head.camera)
    xyz = np.empty((*column.shape, 3), dtype=np.float32)
    sigma = np.empty(column.shape, dtype=np.float32)
    found = np.empty(column.shape, dtype=np.uint16)
    fill_points(head, table, (column, column_sigma, flags), (xyz, sigma, found))
    return xyz, sigma, found


def fill_points(
    head: Head,
    table: RayTable,
    given: tuple[Float32Array, Float32Array, FlagArray],
    made: tuple[Float32Array, Float32Array, FlagArray],
) -> None:
    """Do the work of `points_on_rays` into arrays that the caller owns."""
    projector, lens = head.projector, head.projector.lens
    pose = np.column_stack([projector.rotation, projector.translation_mm])
    scale, shift = projector.width / lens.fx, lens.cx / lens.fx
    rays = (_flat(table.x), _flat(table.y))
    inputs = (_flat(given[0]), _flat(given[1]), _flat(given[2]))
    outputs = (made[0].reshape(-1), made[1].reshape(-1), made[2].reshape(-1))
    height, width = table.x.shape
    if lens.straight:
        factor = (pose[2, 3] * pose[0, :3] - pose[0, 3] * pose[2, :3]) * scale
        kernel, last = straight_depth, factor.astype(np.float32)
    else:
        kernel, last = curved_depth, np.array(lens.distortion)
    plan = (rays, inputs, (scale, shift, pose, last), _limits(head), outputs)
    in_bands(height, lambda first, end: kernel(*plan, first * width, end * width))


def _limits(head: Head) -> tuple[np.float32, np.float32]:
    near, far = head.working_range_mm or (0.0, np.inf)
    return np.float32(max(near, _LEAST_DEPTH_MM)), np.float32(far)


def _flat(array: npt.NDArray[Number]) -> npt.NDArray[Number]:
    return np.ascontiguousarray(array).reshape(-1)
