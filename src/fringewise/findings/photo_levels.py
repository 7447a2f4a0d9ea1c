"""Grey levels of the photo, and their profiles across a line."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array

Photo = npt.NDArray[Any]


def grey_of(photo: Photo) -> npt.NDArray[np.float32]:
    """The photo's grey levels (H, W)."""
    if photo.ndim == 2:
        return photo.astype(np.float32)
    return np.asarray(photo.astype(np.float32) @ np.array([0.299, 0.587, 0.114], dtype=np.float32))


def levels_across(grey: npt.NDArray[np.float32], curve: Array, normals: Array, x: Array) -> Array:
    """Grey levels (N, M) at distances x (M,) across a curve (N, 2), along its normals (N, 2)."""
    at = curve[:, None] + x[:, None] * normals[:, None]
    levels = cv2.remap(
        grey, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return levels.astype(np.float64)
