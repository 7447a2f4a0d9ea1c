"""What a virtual part is made of: smooth parametric sheets, each with its own formula, posed before the head.

A sheet is known by its formula X(s, t); its mesh only tells which sheet a ray may meet, never where. The
parameters s and t are whatever suits the formula (mm along and across, or shares of chord and span).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, frozen, shaped

BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.int32]

NO_TRUTHS: Final[Mapping[str, Any]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Mesh:
    """Triangles over a sheet, to find which sheet a ray meets.

    Attributes
    ----------
    vertices : (V, 3) float64
        On the sheet, in the part's frame, mm; edges of some 0.1 mm keep first guesses good.
    triangles : (T, 3) int32
        Rows of `vertices`.
    st : (V, 2) float64
        Parameters s and t of each vertex.
    """

    vertices: Array
    triangles: IndexArray
    st: Array

    def __post_init__(self) -> None:
        shaped("mesh vertices", self.vertices, None, 3)
        shaped("mesh triangles", self.triangles, None, 3)
        shaped("mesh st", self.st, len(self.vertices), 2)
        if not (np.all(np.isfinite(self.vertices)) and np.all(np.isfinite(self.st))):
            raise ValueError("mesh vertices and st must be finite")
        if self.triangles.size and not (
            self.triangles.min() >= 0 and self.triangles.max() < len(self.vertices)
        ):
            raise ValueError("mesh triangles name a vertex that is not there")


@runtime_checkable
class Patch(Protocol):
    """One smooth sheet X(s, t) of a part, in the part's frame (mm).

    All methods take arrays s and t of shape (N,) (some 100,000 at a time) and must work a little beyond the
    sheet's own outline too, since Newton steps stray there. The sheet may be met from either side.
    """

    @property
    def name(self) -> str:
        """What the sheet is called in the truth."""

    def mesh(self) -> Mesh:
        """Triangles over the sheet, reaching a triangle beyond its outline where it ends.

        The outline is then drawn by `metal`, to the formula, and not by the triangles' straight edges.
        """

    def point(self, s: Array, t: Array) -> Array:
        """Points X(s, t), (N, 3), mm."""

    def tangents(self, s: Array, t: Array) -> tuple[Array, Array]:
        """Derivatives ∂X/∂s and ∂X/∂t, (N, 3) each; never parallel."""

    def metal(self, s: Array, t: Array) -> BoolArray:
        """Where there is metal (N,): False outside the outline, in a nick, a lost corner, a hole."""

    def albedo(self, s: Array, t: Array) -> Array:
        """Diffuse reflectance 0 … 1 (N,), with dots, crack lines and soot drawn on it."""

    @property
    def gloss(self) -> float:
        """Weight of this sheet's mirror-like light relative to the exposure's; 1 as a rule, 0 for matt."""


@dataclass(frozen=True, slots=True)
class Scene:
    """Patches of one part, and where the part stands before the head.

    A point X of the part's frame lies at rotation · X + translation_mm in the camera's frame.

    Attributes
    ----------
    patches : tuple of Patch
    rotation : (3, 3) array
    translation_mm : (3,) array
    truths : mapping
        What is known about the damages drawn on the part; plain values that JSON can hold. It goes with the
        truth of a rendered capture, never into the capture.
    """

    patches: tuple[Patch, ...]
    rotation: Array
    translation_mm: Array
    truths: Mapping[str, Any] = field(default_factory=lambda: NO_TRUTHS)

    def __post_init__(self) -> None:
        if not self.patches:
            raise ValueError("a scene needs one patch or more")
        shaped("scene rotation", np.asarray(self.rotation), 3, 3)
        shaped("scene translation_mm", np.asarray(self.translation_mm), 3)
        object.__setattr__(self, "rotation", frozen(self.rotation))
        object.__setattr__(self, "translation_mm", frozen(self.translation_mm))
        off = np.abs(self.rotation @ self.rotation.T - np.eye(3)).max()
        if not off < 1e-9 or np.linalg.det(self.rotation) < 0:
            raise ValueError(f"scene rotation must be a rotation matrix (off by {off:.2g})")

    def to_camera(self, xyz_part_mm: Array) -> Array:
        """Points (…, 3) of the part's frame in the camera's frame, mm."""
        return np.asarray(xyz_part_mm @ self.rotation.T + self.translation_mm)

    def to_part(self, xyz_camera_mm: Array) -> Array:
        """Points (…, 3) of the camera's frame in the part's frame, mm."""
        return np.asarray((xyz_camera_mm - self.translation_mm) @ self.rotation)


def grid_mesh(patch: Patch, s: Array, t: Array) -> Mesh:
    """Mesh a patch over a grid of parameters: two triangles a cell.

    Parameters
    ----------
    patch : Patch
        Only its `point` is used.
    s, t : (S,), (T,) arrays
        Rising grid values; reach one step beyond the outline.
    """
    across, along = np.meshgrid(s, t, indexing="ij")
    st = np.column_stack([across.ravel(), along.ravel()])
    number = np.arange(len(st), dtype=np.int32).reshape(across.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    triangles = np.concatenate(
        [np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)]
    )
    return Mesh(patch.point(st[:, 0], st[:, 1]), triangles.astype(np.int32), st)
