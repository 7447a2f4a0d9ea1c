"""Checks on arrays and numbers that types can't make; each names the rule and the value met."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def finite(name: str, value: float) -> float:
    """Give `value` back if it is a finite number, else raise ValueError."""
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a finite number (found {value})")
    return value


def positive(name: str, value: float) -> float:
    """Give `value` back if it is a finite number above 0, else raise ValueError."""
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} must be greater than 0 (found {value})")
    return value


def shaped(name: str, array: npt.NDArray[Any], *shape: int | None) -> None:
    """Raise ValueError unless `array` has the shape given; None stands for any length."""
    fits = array.ndim == len(shape) and all(
        want is None or want == have for want, have in zip(shape, array.shape, strict=True)
    )
    if not fits:
        wanted = " × ".join("any" if n is None else str(n) for n in shape)
        raise ValueError(f"{name} must have the shape {wanted} (found {array.shape})")


def frozen(array: npt.ArrayLike, dtype: npt.DTypeLike = np.float64) -> npt.NDArray[Any]:
    """Copy to a contiguous array of `dtype` that can't be written to."""
    made = np.array(array, dtype=dtype, order="C")
    made.setflags(write=False)
    return made
