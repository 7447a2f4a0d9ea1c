"""The part moves a little against the head between frames: where the stored hits then lie.

The camera's rays stay; the part is turned and shifted. From each stored hit Newton's method gives the point
where the same ray meets the moved sheet. Its first step (the moved tangent plane) leaves an error of
κ δ² / 2: 0.013 µm for 20 µm of motion on a radius of 15 mm; further steps ask the sheet's formula.

A hit that slides off the metal goes dark, and rays that had met nothing go on meeting nothing: within the
motion's width of an outline (about a pixel for 20 µm) what lies behind is not drawn anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, frozen, shaped
from fringewise.core.kernels import kernel
from fringewise.virtual.hits import Hits
from fringewise.virtual.patch import Patch, Scene

Float32Array = npt.NDArray[np.float32]

_AT_ONCE: Final = 30_000
_STILL: Final = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Pose:
    """A small motion of the part against the head, from where it was cast.

    A point X of the part comes to lie at exp([w]×) (X − m) + m + offset, m the middle of what is lit.

    Attributes
    ----------
    offset_mm : (3,) array
        Camera's frame.
    turn_rad : (3,) array
        Rotation vector w, camera's axes.
    """

    offset_mm: Array
    turn_rad: Array

    def __init__(self, offset_mm: npt.ArrayLike = _STILL, turn_rad: npt.ArrayLike = _STILL) -> None:
        for name, value in (("offset_mm", offset_mm), ("turn_rad", turn_rad)):
            array = np.asarray(value, dtype=np.float64)
            shaped(name, array, 3)
            if not np.all(np.isfinite(array)):
                raise ValueError(f"{name} must be finite")
            object.__setattr__(self, name, frozen(array))

    @property
    def still(self) -> bool:
        """Whether this is no motion at all."""
        return not (np.any(self.offset_mm) or np.any(self.turn_rad))


def drift(offset_mm: npt.ArrayLike, frames: int) -> tuple[Pose, ...]:
    """Poses of an even drift: none at the first frame, `offset_mm` (3,) at the last.

    Examples
    --------
    >>> [float(pose.offset_mm[0]) for pose in drift([0.02, 0, 0], 3)]
    [0.0, 0.01, 0.02]
    """
    whole = np.asarray(offset_mm, dtype=np.float64)
    return tuple(Pose(whole * share) for share in np.linspace(0.0, 1.0, frames))


def moved_scene(scene: Scene, pose: Pose, middle_mm: Array) -> Scene:
    """The scene with its part moved by `pose` about `middle_mm` (camera's frame)."""
    turn = _turned(pose.turn_rad)
    return Scene(
        scene.patches,
        turn @ scene.rotation,
        turn @ (scene.translation_mm - middle_mm) + middle_mm + pose.offset_mm,
        scene.truths,
    )


def middle_of(hits: Hits) -> Array:
    """The middle (3,) about which poses turn: the median of the truth's lit points, camera's frame, mm."""
    points = hits.truth.xyz_mm[hits.truth.lit]
    if not len(points):
        raise ValueError("nothing of the scene is lit, so that it can't be moved about its middle")
    return np.asarray(np.median(points, axis=0))


class Shaker:
    """Moves the hits of one cast; what all poses share is worked out once.

    Parameters
    ----------
    hits : Hits
    newton_steps : int
        1 or more; 1 stops at the moved tangent plane.
    """

    def __init__(self, hits: Hits, newton_steps: int = 1) -> None:
        if newton_steps < 1:
            raise ValueError(f"newton_steps must be 1 or more (found {newton_steps})")
        self._hits = hits
        self._steps = newton_steps
        self._middle = middle_of(hits)
        self._rays = [np.flatnonzero(hits.patch == k) for k in range(len(hits.scene.patches))]
        self._tangents = [
            _tangents(patch, hits.st[rays])
            for patch, rays in zip(hits.scene.patches, self._rays, strict=True)
        ]

    def moved(self, pose: Pose) -> tuple[Float32Array, Float32Array, Float32Array]:
        """Points (M, 3), normals (M, 3) and albedo (M,) of the hits after a motion, camera's frame."""
        hits, scene = self._hits, self.scene_at(pose)
        xyz, normal, albedo = hits.xyz_mm.copy(), hits.normal.copy(), hits.albedo.copy()
        for k, rays in enumerate(self._rays):
            for start in range(0, len(rays), _AT_ONCE):
                some = slice(start, start + _AT_ONCE)
                moved = self._slide(scene.patches[k], scene, rays[some], self._tangents[k][some])
                xyz[rays[some]], normal[rays[some]], albedo[rays[some]] = moved
        return xyz, normal, albedo

    def scene_at(self, pose: Pose) -> Scene:
        """The scene with its part moved by `pose`."""
        return moved_scene(self._hits.scene, pose, self._middle)

    def _slide(
        self, patch: Patch, scene: Scene, rays: npt.NDArray[np.intp], tangents: Float32Array
    ) -> tuple[Array, Array, Array]:
        hits, was = self._hits, self._hits.scene
        turn = scene.rotation @ was.rotation.T
        along = hits.xyz_mm[rays].astype(np.float64)  # the ray: it ends on the hit where nothing moves
        normal = hits.normal[rays] @ turn.T
        st = hits.st[rays].astype(np.float64)
        point = along @ turn.T + (scene.translation_mm - turn @ was.translation_mm)
        xyz = np.empty_like(along)
        for step in range(self._steps):
            if step:
                point = scene.to_camera(patch.point(st[:, 0].copy(), st[:, 1].copy()))
            _onto_plane(along, normal, point, tangents, np.ascontiguousarray(scene.rotation), st, xyz)
        s, t = st[:, 0].copy(), st[:, 1].copy()
        return xyz, normal, np.where(patch.metal(s, t), patch.albedo(s, t), 0.0)


def _tangents(patch: Patch, st: Float32Array) -> Float32Array:
    found = np.empty((len(st), 6), dtype=np.float32)
    for start in range(0, len(st), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        s, t = np.ascontiguousarray(st[some].T, dtype=np.float64)
        found[some, :3], found[some, 3:] = patch.tangents(s, t)
    return found


def _turned(vector_rad: Array) -> Array:
    """Rotation matrix of a rotation vector: cos a · 1 + sin a · [k]× + (1 − cos a) k kᵀ."""
    angle = float(np.linalg.norm(vector_rad))
    if angle == 0.0:
        return np.eye(3)
    x, y, z = axis = vector_rad / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(
        np.cos(angle) * np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * np.outer(axis, axis)
    )


@kernel()
def _onto_plane(
    along: Array, normal: Array, point: Array, tangents: Float32Array, turn: Array, st: Array, xyz: Array
) -> None:
    """Meet the plane through `point` along rays from the camera; move (s, t) to the foot."""
    for i in range(len(along)):
        nx, ny, nz = normal[i, 0], normal[i, 1], normal[i, 2]
        dx, dy, dz = along[i, 0], along[i, 1], along[i, 2]
        reach = (nx * point[i, 0] + ny * point[i, 1] + nz * point[i, 2]) / (nx * dx + ny * dy + nz * dz)
        xyz[i, 0], xyz[i, 1], xyz[i, 2] = reach * dx, reach * dy, reach * dz
        cx, cy, cz = xyz[i, 0] - point[i, 0], xyz[i, 1] - point[i, 1], xyz[i, 2] - point[i, 2]
        ex = turn[0, 0] * cx + turn[1, 0] * cy + turn[2, 0] * cz  # in the part's frame
        ey = turn[0, 1] * cx + turn[1, 1] * cy + turn[2, 1] * cz
        ez = turn[0, 2] * cx + turn[1, 2] * cy + turn[2, 2] * cz
        ax, ay, az = tangents[i, 0], tangents[i, 1], tangents[i, 2]
        bx, by, bz = tangents[i, 3], tangents[i, 4], tangents[i, 5]
        mx, my, mz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        square = mx * mx + my * my + mz * mz
        st[i, 0] += ((ey * bz - ez * by) * mx + (ez * bx - ex * bz) * my + (ex * by - ey * bx) * mz) / square
        st[i, 1] += ((ay * ez - az * ey) * mx + (az * ex - ax * ez) * my + (ax * ey - ay * ex) * mz) / square
