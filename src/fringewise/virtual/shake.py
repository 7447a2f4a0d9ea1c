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
from fringewise.virtual.hits import Hits
from fringewise.virtual.patch import Scene

Float32Array = npt.NDArray[np.float32]

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
            patch.tangents(*hits.st[rays].astype(np.float64).T)
            for patch, rays in zip(hits.scene.patches, self._rays, strict=True)
        ]

    def moved(self, pose: Pose) -> tuple[Float32Array, Float32Array, Float32Array]:
        """Points (M, 3), normals (M, 3) and albedo (M,) of the hits after a motion, camera's frame."""
        hits = self._hits
        scene = self.scene_at(pose)
        xyz, normal, albedo = hits.xyz_mm.copy(), hits.normal.copy(), hits.albedo.copy()
        for k, rays in enumerate(self._rays):
            if rays.size:
                xyz[rays], normal[rays], albedo[rays] = self._moved_patch(k, scene)
        return xyz, normal, albedo

    def scene_at(self, pose: Pose) -> Scene:
        """The scene with its part moved by `pose`."""
        return moved_scene(self._hits.scene, pose, self._middle)

    def _moved_patch(self, k: int, scene: Scene) -> tuple[Array, Array, Array]:
        hits, rays, (along_s, along_t) = self._hits, self._rays[k], self._tangents[k]
        patch = scene.patches[k]
        st = hits.st[rays].astype(np.float64)
        along = hits.xyz_mm[rays].astype(np.float64) @ scene.rotation  # ends on the hit where nothing moves
        origin = scene.to_part(np.zeros(3))
        normal = np.cross(along_s, along_t)
        square = np.sum(normal**2, axis=1)
        point = hits.scene.to_part(hits.xyz_mm[rays].astype(np.float64))
        for step in range(self._steps):
            if step:
                point = patch.point(st[:, 0], st[:, 1])
            reach = np.sum(normal * (point - origin), axis=1) / np.sum(normal * along, axis=1)
            foot = origin + reach[:, None] * along - point
            st[:, 0] += np.sum(np.cross(foot, along_t) * normal, axis=1) / square
            st[:, 1] += np.sum(np.cross(along_s, foot) * normal, axis=1) / square
        xyz = reach[:, None] * hits.xyz_mm[rays]
        turned = hits.normal[rays] @ (scene.rotation @ hits.scene.rotation.T).T
        on_metal = patch.metal(st[:, 0], st[:, 1])
        return xyz, turned, np.where(on_metal, patch.albedo(st[:, 0], st[:, 1]), 0.0)


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
