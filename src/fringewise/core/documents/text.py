"""Text of a document (JSON or TOML) to plain values and back; what no document may hold is reported."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Any, Final, NamedTuple

from fringewise.core.documents.wording import joined_name, shown
from fringewise.core.errors import Problem

DEEPEST_NESTING: Final = 64
LONGEST_LIST: Final = 100_000
MOST_BYTES: Final = 8 * 1024 * 1024
"""A document may not be larger than this."""
_LONGEST_INTEGER: Final = 10**300


def decoded(text: bytes, where: str, *, toml: bool = False) -> tuple[dict[str, Any] | None, list[Problem]]:
    """Turn the text into plain values, nulls left out; None where it is no table of fields at all.

    Reported are: size, encoding, syntax, depth, names given twice, numbers that are not finite, text that is
    not valid Unicode.
    """
    if len(text) > MOST_BYTES:
        found = f"{len(text) / 2**20:.1f} MiB"
        return None, [Problem(where, "", f"must not be larger than {MOST_BYTES // 2**20} MiB", found)]
    try:
        value = _toml_value(_as_text(text)) if toml else _json_value(_as_text(text))
    except RecursionError:
        return None, [Problem(where, "", f"must not be nested deeper than {DEEPEST_NESTING} levels")]
    except ValueError as error:
        return None, [Problem(where, "", str(error))]
    if not isinstance(value, dict):
        return None, [Problem(where, "", "must be an object with named fields", shown(value))]
    cleaning = _Cleaning(where)
    plain = cleaning.fields(value, None, 0)
    return plain, cleaning.problems


def to_json(data: Mapping[str, Any]) -> bytes:
    """Write a document's plain values as JSON text, lists of numbers on one line.

    Examples
    --------
    >>> print(to_json({"id": "F1", "outline_px": [[1.0, 2.0], [3.0, 4.0]]}).decode(), end="")
    {
      "id": "F1",
      "outline_px": [[1.0, 2.0], [3.0, 4.0]]
    }
    """
    return (_json_lines(dict(data), "") + "\n").encode()


def _json_value(text: str) -> object:
    try:
        return json.loads(text, object_pairs_hook=_Fields.from_pairs)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        raise ValueError(f"must be JSON; it breaks off or goes wrong at {place} ({error.msg})") from error
    except ValueError as error:
        raise ValueError("must not hold a number of thousands of digits") from error


def _toml_value(text: str) -> object:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"must be TOML; it goes wrong: {error}") from error


def _as_text(text: bytes) -> str:
    try:
        return text.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ValueError(f"must be UTF-8 text; byte {error.start} is not") from error


class _Fields(dict[str, Any]):
    """A JSON object that remembers names given twice."""

    doubled: tuple[str, ...] = ()

    @classmethod
    def from_pairs(cls, pairs: list[tuple[str, Any]]) -> _Fields:
        made = cls(pairs)
        if len(made) != len(pairs):
            seen: set[str] = set()
            twice = [name for name, _ in pairs if name in seen or seen.add(name)]  # type: ignore[func-returns-value]
            made.doubled = tuple(dict.fromkeys(twice))
        return made


class _Place(NamedTuple):
    """Where a value stands; put into words only when something is wrong there."""

    above: _Place | None
    step: str | int

    def __str__(self) -> str:
        above = str(self.above) if self.above else ""
        return f"{above}[{self.step}]" if isinstance(self.step, int) else joined_name(above, self.step)


class _Cleaning:
    """Copies values with nulls left out and dates as text; collects what can't stand in any document."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.problems: list[Problem] = []

    def copy(self, value: Any, above: _Place | None, step: str | int, depth: int) -> Any:
        if isinstance(value, (list, dict)):
            if depth > DEEPEST_NESTING:
                self._add(_Place(above, step), f"must not be nested deeper than {DEEPEST_NESTING} levels")
                return None
            place = _Place(above, step)
            if isinstance(value, dict):
                return self.fields(value, place, depth)
            if len(value) > LONGEST_LIST:
                rule = f"must have {LONGEST_LIST:,} entries at most"
                self.problems.append(Problem(self.where, str(place), rule, f"{len(value):,}"))
                return []
            return [self.copy(one, place, n, depth + 1) for n, one in enumerate(value)]
        if isinstance(value, (datetime, date, time)):
            return value.isoformat()
        if rule := _leaf_rule(value):
            self._add(_Place(above, step), rule, value)
        return value

    def fields(self, value: Mapping[str, Any], place: _Place | None, depth: int) -> dict[str, Any]:
        for name in getattr(value, "doubled", ()):
            self._add(_Place(place, name), "must be given once, not twice")
        for name in value:
            if not _is_unicode(name):
                self._add(place, "every name must be valid Unicode text", name)
        return {
            name: self.copy(one, place, name, depth + 1)
            for name, one in value.items()
            if one is not None and _is_unicode(name)
        }

    def _add(self, place: _Place | None, rule: str, value: object = None) -> None:
        found = "" if value is None else shown(value)
        self.problems.append(Problem(self.where, str(place)[:500] if place else "", rule, found))


def _leaf_rule(value: object) -> str:
    if isinstance(value, float):
        return "" if math.isfinite(value) else "must be a finite number"
    if isinstance(value, int):
        return "" if -_LONGEST_INTEGER < value < _LONGEST_INTEGER else "must be a number of ordinary size"
    if isinstance(value, str):
        return "" if _is_unicode(value) else "must be valid Unicode text"
    return ""


def _is_unicode(text: str) -> bool:
    return text.isascii() or not any("\ud800" <= letter <= "\udfff" for letter in text)


def _json_lines(value: Any, indent: str) -> str:
    deeper = indent + "  "
    if isinstance(value, Mapping) and value:
        rows = [f"{deeper}{_json(name)}: {_json_lines(one, deeper)}" for name, one in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    if isinstance(value, (list, tuple)) and any(_holds_fields(one) for one in value):
        return "[\n" + ",\n".join(deeper + _json_lines(one, deeper) for one in value) + f"\n{indent}]"
    return _json(value)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _holds_fields(value: Any) -> bool:
    return isinstance(value, Mapping) or (
        isinstance(value, (list, tuple)) and any(_holds_fields(one) for one in value)
    )
