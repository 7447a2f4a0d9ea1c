"""Heads that are wrong by a draw from their own stated covariance, for trials of the calibration's part.

Two covariances. "Diagonal": each parameter off by itself. "Full": what a calibration from a flat target in
several poses leaves, linearised: corners seen by the camera and pattern columns there, all poses unknown,
J the derivatives of what is seen by head and poses, (Jᵀ W J)⁻¹ and of it the head's block. There the
parameters hang together strongly.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal

import numpy as np

from fringewise.capture.head import CalibrationCovariance, Head, moved_by, rotation_from_vector
from fringewise.core.checks import Array

HeadDoubt = Literal["diagonal", "full"]

_DIAGONAL: Final = {
    "camera.fx": 0.2,
    "camera.fy": 0.2,
    "camera.cx": 0.15,
    "camera.cy": 0.15,
    "projector.fx": 3e-4,
    "projector.cx": 2e-4,
    "projector.translation_mm.0": 2e-3,
    "projector.translation_mm.2": 2e-3,
    "projector.rotation_vector.0": 1e-4,
    "projector.rotation_vector.1": 1e-4,
    "projector.rotation_vector.2": 1e-4,
}
_FULL: Final = (
    "camera.fx", "camera.fy", "camera.cx", "camera.cy", "camera.distortion.0", "camera.distortion.1",
    "projector.fx", "projector.cx", "projector.translation_mm.0", "projector.translation_mm.2",
    "projector.rotation_vector.0", "projector.rotation_vector.1", "projector.rotation_vector.2",
)  # fmt: skip
_CORNERS: Final = (9, 7)
_SPACING_MM: Final = 1.0
_POSES: Final = 8
_CORNER_PX: Final = 0.2
_COLUMN: Final = 4e-4
_TILT_RAD: Final = 0.35
_STANDOFF_MM: Final = (12.0, 22.0)
_STEP: Final = 1e-6


def doubtful_head(head: Head, doubt: HeadDoubt) -> Head:
    """Give the same head with a covariance of one kind.

    Examples
    --------
    >>> from fringewise.virtual import standard_head
    >>> covariance = doubtful_head(standard_head(), "full").covariance
    >>> covariance.matrix.shape
    (13, 13)
    """
    if doubt == "diagonal":
        matrix = np.diag(np.array(list(_DIAGONAL.values())) ** 2)
        return replace(head, covariance=CalibrationCovariance(tuple(_DIAGONAL), matrix))
    return replace(head, covariance=CalibrationCovariance(_FULL, flat_target_covariance(head)))


def wrong_head(head: Head, rng: np.random.Generator) -> Head:
    """Give what a calibration might have stated of a true head: off by a draw from its covariance."""
    assert head.covariance is not None
    spread, vectors = np.linalg.eigh(head.covariance.matrix)
    off = vectors @ (np.sqrt(np.clip(spread, 0.0, None)) * rng.standard_normal(len(spread)))
    return moved_by(head, dict(zip(head.covariance.parameters, off.tolist(), strict=True)))


def flat_target_covariance(head: Head) -> Array:
    """Covariance (13, 13) that corners and columns on a flat target in eight poses leave of the head."""
    poses = _target_poses()
    count = len(_FULL)
    seen = _seen(head, poses)
    weight = np.tile([1 / _CORNER_PX, 1 / _CORNER_PX, 1 / _COLUMN], len(seen) // 3)
    columns = []
    for name in _FULL:
        up, down = (_seen(moved_by(head, {name: sign * _STEP}), poses) for sign in (1, -1))
        columns.append((up - down) / (2 * _STEP))
    for pose in range(len(poses)):
        for n in range(6):
            moved = [poses.copy(), poses.copy()]
            moved[0][pose, n] += _STEP
            moved[1][pose, n] -= _STEP
            columns.append((_seen(head, moved[0]) - _seen(head, moved[1])) / (2 * _STEP))
    jacobian = np.column_stack(columns) * weight[:, None]
    scale = 1 / np.linalg.norm(jacobian, axis=0)
    scaled = jacobian * scale
    covariance = np.linalg.inv(scaled.T @ scaled) * np.outer(scale, scale)
    block = covariance[:count, :count]
    return np.asarray((block + block.T) / 2)


def _target_poses() -> Array:
    """Poses (P, 6): rotation vector and middle of the target, spread evenly over tilts and distances."""
    poses = np.zeros((_POSES, 6))
    turn = 2 * np.pi * np.arange(_POSES) / _POSES
    poses[:, 0], poses[:, 1] = _TILT_RAD * np.cos(turn), _TILT_RAD * np.sin(turn)
    poses[:, 2] = 0.3 * np.sin(2 * turn)
    poses[:, 3], poses[:, 4] = np.cos(3 * turn), np.sin(3 * turn)
    poses[:, 5] = np.linspace(*_STANDOFF_MM, _POSES)
    return poses


def _seen(head: Head, poses: Array) -> Array:
    """Corners' u and v, and the pattern column there, of all poses in a row."""
    across, down = np.meshgrid(*(np.arange(n) - (n - 1) / 2 for n in _CORNERS), indexing="ij")
    flat = _SPACING_MM * np.column_stack([across.ravel(), down.ravel(), np.zeros(across.size)])
    rows = []
    for pose in poses:
        points = flat @ rotation_from_vector(pose[:3]).T + pose[3:]
        u, v = head.camera.lens.pixel(points[:, 0] / points[:, 2], points[:, 1] / points[:, 2])
        column, _ = head.projector.column_row(points)
        rows.append(np.column_stack([u, v, column]).ravel())
    return np.concatenate(rows)
