"""What is wrong with a document, in words: each of pydantic's findings becomes one `Problem`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from pydantic_core import ErrorDetails

from fringewise.core.documents.fields import DAY_PATTERN, LEAST_POSITIVE, MOMENT_PATTERN, SHA256_PATTERN
from fringewise.core.errors import Problem

_RULES: Final[Mapping[str, str]] = {
    "missing": "must be given",
    "union_tag_not_found": "must be given",
    "union_tag_invalid": "must be one of {expected_tags}",
    "literal_error": "must be one of {expected}",
    "finite_number": "must be a finite number",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing_size": "must be a number of ordinary size",
    "bool_type": "must be true or false",
    "string_type": "must be text",
    "string_unicode": "must be valid Unicode text",
    "string_too_short": "must not be empty",
    "string_too_long": "must be {max_length:,} characters or shorter",
    "tuple_type": "must be a list",
    "dict_type": "must be an object with named fields",
    "model_type": "must be an object with named fields",
    "model_attributes_type": "must be an object with named fields",
    "greater_than": "must be greater than {gt:,.15g}",
    "greater_than_equal": "must be {ge:,.15g} or more",
    "less_than": "must be less than {lt:,.15g}",
    "less_than_equal": "must be {le:,.15g} or less",
    "too_short": "must have {min_length} or more entries",
    "too_long": "must have {max_length:,} entries at most",
    "string_pattern_mismatch": "must be written as the pattern {pattern}",
    "value_error": "{error}",
    "broken_rule": "{rule}",
}
"""Words for pydantic's kinds of error, with what they state; any other keeps pydantic's own words."""

_PATTERN_RULES: Final[Mapping[str, str]] = {
    DAY_PATTERN: "must be a date such as 2026-03-14",
    MOMENT_PATTERN: "must be a moment with its zone, such as 2026-03-14T09:26:53Z (RFC 3339)",
    SHA256_PATTERN: "must be a SHA-256 in 64 small hexadecimal digits",
}

_ABSENT: Final = frozenset({"missing", "union_tag_not_found"})
_LENGTHS: Final = frozenset({"too_short", "too_long"})
_LONGEST_LIST: Final = 8


def problem_of(detail: ErrorDetails, data: object, where: str, field: str) -> Problem:
    """Word one of pydantic's errors about `data`, which stands at `field` of the file `where`."""
    location, value = list(detail["loc"]), detail["input"]
    if detail["type"].startswith("union_tag"):
        tag = str(detail["ctx"]["discriminator"]).strip("'")
        location.append(tag)
        value = value.get(tag) if isinstance(value, Mapping) else value
    return Problem(where, _place(location, data, field), _rule(detail, value), _found(detail, value))


def follows_from_others(detail: ErrorDetails) -> bool:
    """Say whether a list counts as too short only because entries of it were refused, as reported."""
    enough = detail.get("ctx", {}).get("min_length", 0)
    value = detail["input"]
    return detail["type"] == "too_short" and isinstance(value, Sequence) and len(value) >= enough


def joined_name(field: str, name: str) -> str:
    """Add a field's name to the place that it stands in.

    Examples
    --------
    >>> joined_name("camera", "fx"), joined_name("", "serial")
    ('camera.fx', 'serial')
    """
    return f"{field}.{shown(name)}" if field else shown(name)


def shown(value: object) -> str:
    """Show a value on one line, shortened, without anything that a terminal would act on.

    Examples
    --------
    >>> shown(float("nan")), shown(""), shown(True), shown([0] * 1000)
    ('NaN', 'empty text', 'true', 'a list of 1,000 entries')
    """
    if isinstance(value, (Mapping, list, tuple)):
        return _sized(value)
    if isinstance(value, (bool, float, int)):
        return _number(value)
    text = value if isinstance(value, str) else repr(value)
    words = "".join(c if c.isprintable() else "?" for c in text[:200])
    return words if words.strip() else "blank text" if words else "empty text"


def _sized(value: Mapping[Any, Any] | Sequence[Any]) -> str:
    if isinstance(value, Mapping):
        return f"an object with {len(value):,} fields"
    if len(value) > _LONGEST_LIST or any(isinstance(one, (Mapping, list, tuple)) for one in value):
        return f"a list of {len(value):,} entries"
    return f"[{', '.join(shown(one) for one in value)}]"


def _number(value: float) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return repr(value) if abs(value) < 10**30 else "a very long number"
    return "NaN" if math.isnan(value) else repr(value)


def _found(detail: ErrorDetails, value: object) -> str:
    if detail["type"] in _ABSENT:
        return ""
    if detail["type"] == "broken_rule":
        return str(detail["ctx"]["value"])
    if detail["type"] in _LENGTHS and isinstance(value, Sequence):
        return f"{len(value):,}"
    return shown(value)


def _rule(detail: ErrorDetails, value: object) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "greater_than" and context["gt"] == LEAST_POSITIVE and isinstance(value, (int, float)):
        context = {"gt": 0.0 if value <= 0 else LEAST_POSITIVE}
    if kind == "string_pattern_mismatch" and context["pattern"] in _PATTERN_RULES:
        return _PATTERN_RULES[context["pattern"]]
    return _RULES[kind].format(**context) if kind in _RULES else detail["msg"]


def _place(location: Sequence[int | str], data: object, field: str) -> str:
    """Write a place such as ``fringe_sets[2].frames[1]``, without the steps that pydantic puts in itself."""
    place = field
    for n, step in enumerate(location):
        last = n == len(location) - 1
        if isinstance(step, int):
            place = f"{place}[{step}]"
            data = data[step] if isinstance(data, Sequence) and step < len(data) else None
        elif isinstance(data, Mapping) and (step in data or last):
            place = joined_name(place, step)
            data = data.get(step)
    return place
