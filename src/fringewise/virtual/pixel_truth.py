"""What is true of a rendered capture: kept beside it, and never read by anything that measures."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, shaped
from fringewise.virtual.patch import NO_TRUTHS, BoolArray

TRUTH_FORMAT: Final = "fringewise.truth/1"


@dataclass(frozen=True, slots=True)
class PixelTruth:
    """What each pixel's centre ray meets (H × W), and what is known of the damages.

    Attributes
    ----------
    xyz_mm : (H, W, 3) float64
        Camera's frame, good to 0.1 µm; NaN where the ray meets nothing.
    patch : (H, W) int16
        Number of the sheet met; -1 for none.
    st : (H, W, 2) float64
        Its parameters; NaN where there is none.
    lit : (H, W) bool
        The projector's pattern falls on that point.
    patch_names : tuple of str
    rotation, translation_mm : (3, 3), (3,) arrays
        Part's frame to camera's frame.
    damages : mapping
        `Scene.truths` as they were; plain values.

    Examples
    --------
    >>> truth = PixelTruth(np.zeros((1, 1, 3)), np.zeros((1, 1), np.int16), np.zeros((1, 1, 2)),
    ...                    np.ones((1, 1), bool), ("plane",), np.eye(3), np.zeros(3), {"D1": {"depth": 0.2}})
    >>> PixelTruth.from_arrays(truth.to_arrays()).damages
    {'D1': {'depth': 0.2}}
    """

    xyz_mm: Array
    patch: npt.NDArray[np.int16]
    st: Array
    lit: BoolArray
    patch_names: tuple[str, ...]
    rotation: Array
    translation_mm: Array
    damages: Mapping[str, Any] = field(default_factory=lambda: NO_TRUTHS)

    def __post_init__(self) -> None:
        shaped("truth xyz_mm", self.xyz_mm, None, None, 3)
        height, width = self.xyz_mm.shape[:2]
        shaped("truth patch", self.patch, height, width)
        shaped("truth st", self.st, height, width, 2)
        shaped("truth lit", self.lit, height, width)

    def to_arrays(self) -> dict[str, npt.NDArray[Any]]:
        """Everything as named arrays, for a file of arrays; words as one array of JSON text."""
        words = {
            "format": TRUTH_FORMAT,
            "patch_names": list(self.patch_names),
            "damages": dict(self.damages),
        }
        return {
            "xyz_mm": self.xyz_mm,
            "patch": self.patch,
            "st": self.st,
            "lit": self.lit,
            "rotation": self.rotation,
            "translation_mm": self.translation_mm,
            "words": np.array(json.dumps(words)),
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, npt.NDArray[Any]]) -> PixelTruth:
        """Turn what `to_arrays` gave back into a truth; ValueError for another format."""
        words = json.loads(str(arrays["words"]))
        if words.get("format") != TRUTH_FORMAT:
            raise ValueError(f"the truth's format must be {TRUTH_FORMAT} (found {words.get('format')})")
        return cls(
            np.asarray(arrays["xyz_mm"], dtype=np.float64),
            np.asarray(arrays["patch"], dtype=np.int16),
            np.asarray(arrays["st"], dtype=np.float64),
            np.asarray(arrays["lit"], dtype=np.bool_),
            tuple(words["patch_names"]),
            np.asarray(arrays["rotation"], dtype=np.float64),
            np.asarray(arrays["translation_mm"], dtype=np.float64),
            words["damages"],
        )
