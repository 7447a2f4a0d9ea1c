"""From pattern columns to points on the part, with their noise, flags and normals.

The types come at once; what needs compiled kernels is imported when it is first asked for.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

from fringewise.surface.surface import Surface

if TYPE_CHECKING:
    from fringewise.surface.cleaning import CleaningRule, clean
    from fringewise.surface.jacobian import columns_of, points_and_jacobian, points_at, sigma_calibration
    from fringewise.surface.orientation import normals
    from fringewise.surface.triangulation import triangulate

__all__ = [
    "CleaningRule",
    "Surface",
    "clean",
    "columns_of",
    "normals",
    "points_and_jacobian",
    "points_at",
    "sigma_calibration",
    "triangulate",
]

_HOME: Final = {
    "CleaningRule": "cleaning",
    "clean": "cleaning",
    "columns_of": "jacobian",
    "normals": "orientation",
    "points_and_jacobian": "jacobian",
    "points_at": "jacobian",
    "sigma_calibration": "jacobian",
    "triangulate": "triangulation",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
