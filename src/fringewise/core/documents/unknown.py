"""Fields that the program does not know: kept when a document is read, put back when it is written."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fringewise.core.documents.fields import Part


def unknown_fields(document: Part) -> dict[str, Any]:
    """Collect the fields that the program does not know, nested as they were.

    Examples
    --------
    >>> class Shelf(Part):
    ...     width: float
    >>> class Room(Part):
    ...     shelves: tuple[Shelf, ...]
    >>> room = Room.model_validate({"shelves": [{"width": 1}, {"width": 2, "wood": "oak"}], "door": 1})
    >>> unknown_fields(room)
    {'door': 1, 'shelves': [{}, {'wood': 'oak'}]}
    """
    found: dict[str, Any] = dict(document.model_extra or {})
    for name in type(document).model_fields:
        below = _unknown_below(getattr(document, name))
        if below:
            found[name] = below
    return found


def with_unknown_fields(known: Mapping[str, Any], unknown: Mapping[str, Any]) -> dict[str, Any]:
    """Put fields kept by `unknown_fields` back where they were; a known field is never overwritten.

    Examples
    --------
    >>> with_unknown_fields({"a": {"b": 1}, "c": [{}, {"d": 2}]}, {"a": {"x": 3}, "c": [{}, {"y": 4}]})
    {'a': {'b': 1, 'x': 3}, 'c': [{}, {'d': 2, 'y': 4}]}
    """
    joined = dict(known)
    for name, value in unknown.items():
        joined[name] = _joined(joined[name], value) if name in joined else value
    return joined


def _unknown_below(value: object) -> Any:
    if isinstance(value, Part):
        return unknown_fields(value)
    if isinstance(value, (tuple, list)):
        below = [_unknown_below(one) or {} for one in value]
        return below if any(below) else None
    return None


def _joined(known: Any, unknown: Any) -> Any:
    if isinstance(known, Mapping) and isinstance(unknown, Mapping):
        return with_unknown_fields(known, unknown)
    if isinstance(known, list) and isinstance(unknown, list) and len(known) == len(unknown):
        return [_joined(one, other) for one, other in zip(known, unknown, strict=True)]
    return known
