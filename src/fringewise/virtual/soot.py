"""A cloudy deposit on the part: darker and lighter patches some millimetres wide, fixed to the metal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array
from fringewise.core.kernels import kernel
from fringewise.virtual.patch import Scene

Float32Array = npt.NDArray[np.float32]

_WAVES: Final = 12


@dataclass(frozen=True, slots=True)
class SootCloud:
    """A sum of plane waves in the part's space, made into a share of cover between 0 and 1.

    Attributes
    ----------
    waves : (W, 5) array
        Wave vector in rad/mm, phase in rad, height; long waves are the highest.
    """

    waves: Array

    @classmethod
    def drawn(cls, size_mm: float, rng: np.random.Generator) -> SootCloud:
        """Draw a cloud whose patches are some `size_mm` wide."""
        towards = rng.standard_normal((_WAVES, 3))
        towards /= np.linalg.norm(towards, axis=1, keepdims=True)
        pace = np.exp(rng.uniform(np.log(0.4), np.log(2.5), (_WAVES, 1)))
        phase = rng.uniform(0, 2 * np.pi, (_WAVES, 1))
        return cls(np.hstack([towards * pace * np.pi / size_mm, phase, 0.8 / pace]))

    def darkened(
        self, albedo: Float32Array, xyz_camera_mm: Float32Array, scene: Scene, contrast: float
    ) -> Float32Array:
        """Albedo (M,) of points (M, 3) under the deposit: albedo · (1 − contrast · cover)."""
        dark = np.empty_like(albedo)
        turned = self.waves[:, :3] @ scene.rotation.T  # wave vectors in the camera's frame
        phase = self.waves[:, 3] - turned @ scene.translation_mm
        _darken(albedo, xyz_camera_mm, np.column_stack([turned, phase, self.waves[:, 4]]), contrast, dark)
        return dark


@kernel()
def _darken(
    albedo: Float32Array, xyz: Float32Array, waves: Array, contrast: float, dark: Float32Array
) -> None:
    for i in range(len(albedo)):
        height = 0.0
        for w in range(len(waves)):
            x, y, z = waves[w, 0] * xyz[i, 0], waves[w, 1] * xyz[i, 1], waves[w, 2] * xyz[i, 2]
            height += waves[w, 4] * np.sin(x + y + z + waves[w, 3])
        cover = 1.0 / (1.0 + np.exp(-height))
        dark[i] = albedo[i] * (1.0 - contrast * cover)
