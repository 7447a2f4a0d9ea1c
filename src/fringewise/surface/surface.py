"""The surface: a point for each pixel that has one, each with its own noise, all sharing one calibration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from fringewise.capture.head import Head
from fringewise.capture.plan import FringeSet
from fringewise.core.checks import shaped
from fringewise.core.flags import FlagArray, usable
from fringewise.phase.phase_map import Motion

Float32Array = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Surface:
    """Points of one capture in the camera frame (format 4), on the photo's pixel grid (H × W).

    Attributes
    ----------
    xyz_mm : (H, W, 3) float32
        NaN where there is no surface; each point lies on its pixel centre's ray.
    sigma_mm : (H, W) float32
        Standard uncertainty of the distance along the ray from frame noise alone, independent from pixel
        to pixel; NaN where there is no surface.
    flags : (H, W) uint16
    photo : (H, W) or (H, W, 3) unsigned, optional
    modulation : (H, W) float32, optional
        Fringe amplitude in grey levels.
    head : Head, optional
        The head whose calibration all points share; absent for a surface made elsewhere without one.
    motion : Motion, optional
    finest_set : FringeSet, optional
        The fringe set that the points were decoded from.
    uncertainty_from : {"frames", "its source"}
        ``its source``: the surface was made elsewhere and its uncertainty is as stated there.
    noise_source : str
        As in the phase map; or ``stated``.
    """

    xyz_mm: Float32Array
    sigma_mm: Float32Array
    flags: FlagArray
    photo: npt.NDArray[np.uint8] | npt.NDArray[np.uint16] | None = None
    modulation: Float32Array | None = None
    head: Head | None = None
    motion: Motion | None = None
    finest_set: FringeSet | None = None
    uncertainty_from: Literal["frames", "its source"] = "frames"
    noise_source: str = "head"

    def __post_init__(self) -> None:
        shaped("xyz_mm", self.xyz_mm, None, None, 3)
        for name in ("sigma_mm", "flags"):
            shaped(name, getattr(self, name), *self.xyz_mm.shape[:2])

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width in pixels."""
        return self.xyz_mm.shape[0], self.xyz_mm.shape[1]

    @property
    def usable(self) -> npt.NDArray[np.bool_]:
        """Pixels that have a point and may be measured on (H, W)."""
        return usable(self.flags) & np.isfinite(self.sigma_mm)

    @property
    def valid_fraction(self) -> float:
        """Share of the photo's pixels with a usable point."""
        return float(np.mean(self.usable))
