"""First values for the bundle adjustment, from the views alone: nothing of an earlier calibration is used.

The camera comes from the homographies between target and image (Zhang 2000, principal point in the middle of
the image), the poses from the homographies, the projector from the points in space and their pattern
coordinates by direct linear transformation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fringewise.calibrate.target import Target
from fringewise.calibrate.views import TargetView
from fringewise.capture.head import Camera, Projector
from fringewise.capture.lens import Lens
from fringewise.core.checks import Array
from fringewise.core.errors import NotMeasurable


@dataclass(frozen=True, slots=True)
class TargetPose:
    """Where the target stood: a place X on it is at rotation · X + translation_mm in the camera frame."""

    rotation: Array
    translation_mm: Array

    def to_camera(self, points_mm: Array) -> Array:
        """Places (N, 3) of the target in the camera frame."""
        return points_mm @ self.rotation.T + self.translation_mm


@dataclass(frozen=True, slots=True)
class Pattern:
    """The pattern's size in the projector's own units; height None where rows are not calibrated."""

    width: float
    height: float | None


def first_camera(views: Sequence[TargetView], target: Target, width: int, height: int) -> Camera:
    """Camera with one focal length, its principal point in the image's middle, no distortion.

    Raises
    ------
    NotMeasurable
        No view is tilted enough for the focal length to show.
    """
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    design, values = [], []
    for view in views:
        h = _homography(target.points_mm()[view.points, :2], view.pixels - middle)
        h = h / np.linalg.norm(h[:, 0])
        a, b = h[:, 0], h[:, 1]
        design += [a[0] * b[0] + a[1] * b[1], a[0] ** 2 + a[1] ** 2 - b[0] ** 2 - b[1] ** 2]
        values += [-a[2] * b[2], -(a[2] ** 2) + b[2] ** 2]
    d, e = np.array(design), np.array(values)
    inverse_square = float(d @ e / (d @ d))
    if not inverse_square > 0 or float(np.abs(e).max()) == 0:
        raise NotMeasurable(
            "the target faces the camera squarely in every capture, so that the focal length can't be told:"
            " add captures with the target tilted by 20 to 40 degrees, some about each axis"
        )
    focal = float(np.clip(1 / np.sqrt(inverse_square), 0.2 * width, 20 * width))
    return Camera(width, height, Lens(focal, focal, float(middle[0]), float(middle[1])))


def first_pose(view: TargetView, target: Target, camera: Camera) -> TargetPose:
    """Give the pose of the target in a view, from its homography."""
    rays = np.column_stack(camera.lens.direction(view.pixels[:, 0], view.pixels[:, 1]))
    h = _homography(target.points_mm()[view.points, :2], rays)
    h = h / np.sqrt(np.linalg.norm(h[:, 0]) * np.linalg.norm(h[:, 1]))
    h = h if h[2, 2] > 0 else -h
    u, _, vt = np.linalg.svd(np.column_stack([h[:, 0], h[:, 1], np.cross(h[:, 0], h[:, 1])]))
    rotation = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
    return TargetPose(np.asarray(rotation), np.asarray(h[:, 2]))


def first_projector(views: Sequence[TargetView], points_mm: Sequence[Array], pattern: Pattern) -> Projector:
    """Give a projector without distortion from points in the camera frame and their pattern coordinates.

    With columns alone neither its place along its own y nor fy and cy show; they stay 0, 1 and 0.

    Raises
    ------
    NotMeasurable
        The points lie too much in one plane.
    """
    rows = pattern.height is not None and all(view.row is not None for view in views)
    where = np.concatenate([*points_mm])
    c = np.concatenate([view.column.values for view in views]) * pattern.width
    r = np.concatenate([view.row.values if view.row is not None else view.column.values for view in views])
    used = np.isfinite(c) & np.isfinite(r) if rows else np.isfinite(c)
    middle, scale = where[used].mean(axis=0), float(where[used].std())
    homogeneous = np.column_stack([(where[used] - middle) / scale, np.ones(int(used.sum()))])
    image = [c[used]] + ([r[used] * float(pattern.height or 1.0)] if rows else [])
    matrix = _direct_projection(homogeneous, image)
    back = np.eye(4)
    back[:3, :3] /= scale
    back[:3, 3] = -middle / scale
    return _projector_from(matrix @ back, where[used], pattern if rows else Pattern(pattern.width, None))


def _homography(plane: Array, image: Array) -> Array:
    """Homography (3, 3) from plane places (N, 2) to image places (N, 2), by direct linear transformation."""
    to_plane, to_image = _conditioning(plane), _conditioning(image)
    x, y, one = (np.column_stack([plane, np.ones(len(plane))]) @ to_plane.T).T
    u, v, _ = (np.column_stack([image, np.ones(len(image))]) @ to_image.T).T
    zero = np.zeros_like(x)
    design = np.concatenate(
        [
            np.column_stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u]),
            np.column_stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v]),
        ]
    )
    h = np.linalg.svd(design, full_matrices=False)[2][-1].reshape(3, 3)
    return np.asarray(np.linalg.solve(to_image, h @ to_plane))


def _conditioning(places: Array) -> Array:
    middle, scale = places.mean(axis=0), float(places.std())
    return np.array([[1 / scale, 0, -middle[0] / scale], [0, 1 / scale, -middle[1] / scale], [0, 0, 1.0]])


def _direct_projection(homogeneous: Array, image: list[Array]) -> Array:
    """Rows of the projection matrix: one for each image coordinate, and that of the depth."""
    count = len(image)
    blocks = []
    sizes = [max(float(np.std(one)), 1e-12) for one in image]
    middles = [float(np.mean(one)) for one in image]
    for n, one in enumerate(image):
        row = np.zeros((len(one), 4 * (count + 1)))
        row[:, 4 * n : 4 * n + 4] = homogeneous
        row[:, 4 * count :] = -((one - middles[n]) / sizes[n])[:, None] * homogeneous
        blocks.append(row)
    _, singular, vt = np.linalg.svd(np.concatenate(blocks), full_matrices=False)
    if singular[-2] < 1e-6 * singular[0]:
        raise NotMeasurable(
            "the target stood in one plane in all captures, so that the projector can't be told:"
            " add captures nearer and farther away and with other tilts"
        )
    matrix = vt[-1].reshape(count + 1, 4)
    for n in range(count):
        matrix[n] = matrix[n] * sizes[n] + middles[n] * matrix[count]
    return np.asarray(matrix)


def _projector_from(matrix: Array, where: Array, pattern: Pattern) -> Projector:
    matrix = matrix / np.linalg.norm(matrix[-1, :3])
    if np.median(where @ matrix[-1, :3] + matrix[-1, 3]) < 0:
        matrix = -matrix
    z_axis, tz = matrix[-1, :3], float(matrix[-1, 3])
    cx = float(matrix[0, :3] @ z_axis)
    x_part = matrix[0, :3] - cx * z_axis
    fx = float(np.linalg.norm(x_part))
    x_axis = x_part / fx
    y_axis = np.cross(z_axis, x_axis)
    tx, ty, fy, cy = (float(matrix[0, 3]) - cx * tz) / fx, 0.0, 1.0, 0.0
    if pattern.height is not None:
        cy = float(matrix[1, :3] @ z_axis)
        fy = float((matrix[1, :3] - cy * z_axis) @ y_axis)
        if fy <= 0:
            raise NotMeasurable("the pattern's rows run the other way than a projector's can")
        ty = (float(matrix[1, 3]) - cy * tz) / fy
    rotation = np.stack([x_axis, y_axis, z_axis])
    return Projector(Lens(fx, fy, cx, cy), pattern.width, pattern.height, rotation, np.array([tx, ty, tz]))
