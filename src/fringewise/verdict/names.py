"""Slips in names: a mistyped field, part or zone that would silently count for nothing."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, get_args

from fringewise.core.documents import Part

_LEAST_LETTERS: Final = 5
_MOST_SLIPS: Final = 2


def likely_slip(name: str, known: Iterable[str]) -> str:
    """Give the known name that `name` looks like a slip of; empty where it looks like none.

    Names that differ in a number, or in a short word, are different things, not slips.

    Examples
    --------
    >>> likely_slip("compresor 3 blade", ["compressor 3 blade"])
    'compressor 3 blade'
    >>> likely_slip("compressor 4 blade", ["compressor 3 blade"]), likely_slip("zone B", ["zone A"])
    ('', '')
    """
    for other in known:
        if _plain(name) != _plain(other) and _is_slip(_words(name), _words(other)):
            return other
        if _plain(name) == _plain(other) and _words(name) != _words(other):
            return other
    return ""


def likely_field(name: str, known: Iterable[str]) -> str:
    """Give the known field that `name` looks like a slip of; empty where it looks like none.

    Examples
    --------
    >>> likely_field("radius_mim", ["radius_min"]), likely_field("remark", ["radius_min", "source"])
    ('radius_min', '')
    """
    if len(name) < _LEAST_LETTERS:
        return ""
    plain = _plain(name)
    return next((one for one in known if edits(plain, _plain(one)) <= _MOST_SLIPS), "")


def known_names(
    model: type[Part], data: Mapping[str, Any], place: str = ""
) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Give each field of a document's plain values that its model does not know: place, name, known names."""
    fields = model.model_fields
    for name, value in data.items():
        here = f"{place}.{name}" if place else name
        if name not in fields:
            yield here, name, tuple(fields)
            continue
        below = _model_in(fields[name].annotation)
        if below is None:
            continue
        if isinstance(value, Mapping):
            yield from known_names(below, value, here)
        elif isinstance(value, list):
            for n, one in enumerate(value):
                if isinstance(one, Mapping):
                    yield from known_names(below, one, f"{here}[{n}]")


def _model_in(annotation: Any) -> type[Part] | None:
    if isinstance(annotation, type) and issubclass(annotation, Part):
        return annotation
    return next((found for one in get_args(annotation) if (found := _model_in(one))), None)


def _plain(name: str) -> str:
    return "".join(_words(name))


def _words(name: str) -> list[str]:
    return re.findall(r"[^\W_]+", name.casefold())


def _is_slip(one: Sequence[str], other: Sequence[str]) -> bool:
    if len(one) != len(other):
        return False
    differing = [(a, b) for a, b in zip(one, other, strict=True) if a != b]
    if not differing or len(differing) > 1:
        return False
    a, b = differing[0]
    if any(letter.isdigit() for letter in a + b) or max(len(a), len(b)) < _LEAST_LETTERS:
        return False
    return edits(a, b) <= (1 if min(len(a), len(b)) <= _LEAST_LETTERS else _MOST_SLIPS)


def edits(one: str, other: str) -> int:
    """Count the letters to put in, take out, exchange or swap with a neighbour, from one word to another.

    Examples
    --------
    >>> edits("depht", "depth"), edits("inner", "outer")
    (1, 3)
    """
    before: list[int] = []
    last = list(range(len(other) + 1))
    for n, a in enumerate(one, 1):
        row = [n]
        for m, b in enumerate(other, 1):
            cost = min(last[m] + 1, row[m - 1] + 1, last[m - 1] + (a != b))
            if n > 1 and m > 1 and a == other[m - 2] and one[n - 2] == b:
                cost = min(cost, before[m - 2] + 1)
            row.append(cost)
        before, last = last, row
    return last[-1]
