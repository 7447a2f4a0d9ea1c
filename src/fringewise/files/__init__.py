"""Readers and writers of the open formats: captures, heads, findings, results, surfaces.

Each is imported when it is first used, so that a command loads only what it needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from fringewise.files.captures import read_capture as read_capture
    from fringewise.files.captures import read_head as read_head
    from fringewise.files.captures import write_capture as write_capture
    from fringewise.files.captures import write_head as write_head
    from fringewise.files.findings import read_findings as read_findings
    from fringewise.files.findings import write_findings as write_findings
    from fringewise.files.findings import write_results as write_results
    from fringewise.files.limits import read_limits as read_limits
    from fringewise.files.limits import read_results as read_results
    from fringewise.files.limits import read_verdicts as read_verdicts
    from fringewise.files.limits import write_verdicts as write_verdicts
    from fringewise.files.photos import read_photo as read_photo
    from fringewise.files.studies import read_study as read_study
    from fringewise.files.surfaces import read_surface as read_surface
    from fringewise.files.surfaces import write_surface as write_surface
    from fringewise.files.targets import read_target as read_target

_HOMES: Final = {
    "read_capture": "captures",
    "read_head": "captures",
    "write_capture": "captures",
    "write_head": "captures",
    "read_findings": "findings",
    "write_findings": "findings",
    "write_results": "findings",
    "read_limits": "limits",
    "read_photo": "photos",
    "read_results": "limits",
    "read_study": "studies",
    "read_surface": "surfaces",
    "read_target": "targets",
    "read_verdicts": "limits",
    "write_verdicts": "limits",
    "write_surface": "surfaces",
}

__all__ = [
    "read_capture",
    "read_findings",
    "read_head",
    "read_limits",
    "read_photo",
    "read_results",
    "read_study",
    "read_surface",
    "read_target",
    "read_verdicts",
    "write_capture",
    "write_findings",
    "write_head",
    "write_results",
    "write_surface",
    "write_verdicts",
]


def __getattr__(name: str) -> Any:
    """Import a reader or writer at its first use."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
