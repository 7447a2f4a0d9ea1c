"""Pictures of captures, surfaces and findings; made with matplotlib, without any of its global state.

The drawing library is loaded when a picture is first asked for.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from fringewise.render.calibration_page import calibration_picture
    from fringewise.render.expectation_page import expectation_picture
    from fringewise.render.finding_page import finding_picture
    from fringewise.render.history_page import history_picture
    from fringewise.render.inspection_page import Inspection, TruthRow, inspection_picture
    from fringewise.render.photo_page import photo_picture
    from fringewise.render.stage_strip import StageItem
    from fringewise.render.surface_page import surface_picture
    from fringewise.render.writing import png_of, write_picture

__all__ = [
    "Inspection",
    "StageItem",
    "TruthRow",
    "calibration_picture",
    "expectation_picture",
    "finding_picture",
    "history_picture",
    "inspection_picture",
    "photo_picture",
    "png_of",
    "surface_picture",
    "write_picture",
]

_HOME: Final = {
    "Inspection": "inspection_page",
    "StageItem": "stage_strip",
    "TruthRow": "inspection_page",
    "calibration_picture": "calibration_page",
    "expectation_picture": "expectation_page",
    "finding_picture": "finding_page",
    "history_picture": "history_page",
    "inspection_picture": "inspection_page",
    "photo_picture": "photo_page",
    "png_of": "writing",
    "surface_picture": "surface_page",
    "write_picture": "writing",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
