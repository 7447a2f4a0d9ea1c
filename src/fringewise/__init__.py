"""Fringewise: from raw phase-shifted frames to sizes of damage with honest uncertainties.

The names below are the short way; each is loaded when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from fringewise.files import read_capture as read_capture
    from fringewise.files import read_findings as read_findings
    from fringewise.files import read_surface as read_surface
    from fringewise.files import write_surface as write_surface
    from fringewise.findings.finding import Finding as Finding
    from fringewise.workflow.measure import measure as measure
    from fringewise.workflow.surfaces import make_surface as make_surface

__version__ = "0.1.0.dev0"

_HOMES: Final = {
    "Finding": "findings.finding",
    "make_surface": "workflow.surfaces",
    "measure": "workflow.measure",
    "read_capture": "files",
    "read_findings": "files",
    "read_surface": "files",
    "write_surface": "files",
}

__all__ = [
    "Finding",
    "__version__",
    "make_surface",
    "measure",
    "read_capture",
    "read_findings",
    "read_surface",
    "write_surface",
]


def __getattr__(name: str) -> Any:
    """Import a public name at its first use."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
