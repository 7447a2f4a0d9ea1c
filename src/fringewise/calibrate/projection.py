"""Where points are seen by the camera and lit by the projector, with all derivatives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fringewise.capture.head import Head
from fringewise.capture.lens import Lens, distort_by_term, distort_jacobian
from fringewise.core.checks import Array


@dataclass(frozen=True, slots=True)
class Projection:
    """Image coordinates of points and their derivatives.

    Attributes
    ----------
    values : (N, M)
        Camera's u, v (px); or the pattern's column (and row) in shares of the pattern, 0 … 1.
    by_point : (N, M, 3)
        Derivatives by the point in the camera frame.
    by_parameter : (N, M, P)
        Derivatives by the head's parameters asked for.
    """

    values: Array
    by_point: Array
    by_parameter: Array


def seen_by_camera(head: Head, points_mm: Array, names: tuple[str, ...]) -> Projection:
    """Project points (N, 3) of the camera frame to pixels.

    Parameters
    ----------
    names : tuple of str
        Parameters of the head after format 2 to differentiate by; those of the projector give 0.
    """
    image, by_point = _through(head.camera.lens, points_mm)
    by_parameter = np.zeros((len(points_mm), 2, len(names)))
    for n, name in enumerate(names):
        owner, _, parameter = name.partition(".")
        if owner == "camera":
            by_parameter[:, :, n] = _by_lens(head.camera.lens, points_mm, image, parameter)
    return Projection(image, by_point, by_parameter)


def lit_by_projector(head: Head, points_mm: Array, names: tuple[str, ...]) -> Projection:
    """Project points (N, 3) of the camera frame to pattern columns, and rows where the head has them.

    Parameters as for `seen_by_camera`; those of the camera give 0.
    """
    projector, lens = head.projector, head.projector.lens
    turned = points_mm @ projector.rotation.T
    placed = turned + projector.translation_mm
    image, by_placed = _through(lens, placed)
    by_parameter = np.zeros((len(points_mm), 2, len(names)))
    for n, name in enumerate(names):
        owner, _, parameter = name.partition(".")
        kind, _, index = parameter.partition(".")
        if owner != "projector":
            continue
        if kind == "translation_mm":
            by_parameter[:, :, n] = by_placed[:, :, int(index)]
        elif kind == "rotation_vector":
            by_parameter[:, :, n] = np.einsum(
                "nmi,ni->nm", by_placed, np.cross(np.eye(3)[int(index)], turned)
            )
        else:
            by_parameter[:, :, n] = _by_lens(lens, placed, image, parameter)
    size = np.array([projector.width, projector.height or 1.0])
    kept = slice(0, 1 if projector.height is None else 2)
    made = Projection(
        image / size, by_placed @ projector.rotation / size[:, None], by_parameter / size[:, None]
    )
    return Projection(made.values[:, kept], made.by_point[:, kept], made.by_parameter[:, kept])


def _through(lens: Lens, points_mm: Array) -> tuple[Array, Array]:
    """Image coordinates (N, 2) of points in the lens's own frame, and their derivatives (N, 2, 3)."""
    z = points_mm[:, 2]
    x, y = points_mm[:, 0] / z, points_mm[:, 1] / z
    image = np.column_stack(lens.pixel(x, y))
    bent = distort_jacobian(x, y, lens.distortion) * np.array([[lens.fx], [lens.fy]])
    straight = np.zeros((len(z), 2, 3))
    straight[:, 0, 0] = straight[:, 1, 1] = 1 / z
    straight[:, 0, 2], straight[:, 1, 2] = -x / z, -y / z
    return image, bent @ straight


def _by_lens(lens: Lens, points_mm: Array, image: Array, parameter: str) -> Array:
    """Derivative (N, 2) of image coordinates by one of the lens's own parameters."""
    kind, _, index = parameter.partition(".")
    made = np.zeros_like(image)
    if kind in ("fx", "cx"):
        made[:, 0] = (image[:, 0] - lens.cx) / lens.fx if kind == "fx" else 1.0
    elif kind in ("fy", "cy"):
        made[:, 1] = (image[:, 1] - lens.cy) / lens.fy if kind == "fy" else 1.0
    else:
        x, y = points_mm[:, 0] / points_mm[:, 2], points_mm[:, 1] / points_mm[:, 2]
        by_x, by_y = distort_by_term(x, y, lens.distortion, int(index))
        made[:, 0], made[:, 1] = lens.fx * by_x, lens.fy * by_y
    return made
