"""Reading a limits book as a whole: the book, or every problem in it with its line, its rule and a remedy."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, TypeVar

from pydantic import ValidationError as PydanticError

from fringewise.core.documents import Part, checked_document, decoded
from fringewise.core.errors import FormatUnknown, InputRefused, Problem
from fringewise.verdict.book import LimitsBook
from fringewise.verdict.book_checks import book_faults
from fringewise.verdict.documents import (
    CountDocument,
    LimitsDocument,
    NeverDocument,
    RuleDocument,
    ZoneDocument,
)
from fringewise.verdict.draft import Draft, Entry, Fault
from fringewise.verdict.lines import json_lines, line_of, toml_lines

_TABLES: Final[Mapping[str, type[Part]]] = {
    "zone": ZoneDocument,
    "rule": RuleDocument,
    "count": CountDocument,
    "never": NeverDocument,
}
_REMEDIES: Final[tuple[tuple[str, str], ...]] = (
    ("must be given", "add it as the manual has it"),
    ("must be a number", "write it without quotation marks, with a point, such as 0.25"),
    ("must be one of", "write one of these words"),
    ("must be greater than", "compare it with the manual"),
    ("or more", "compare it with the manual"),
    ("must not be less than", "compare both with the manual: the steps rise"),
    ("must be unique", "give each entry an id of its own"),
    ("must state a limit", "add the limit that the manual gives, or take the rule out"),
    ("must be text", "put it in quotation marks"),
    ("must be true or false", "write true or false without quotation marks"),
    ("must be a second person", "have another person compare the book with the manual"),
    ("must rise", "write the nearer distance first"),
    ("must be TOML", "mend the text there"),
    ("must be JSON", "mend the text there"),
    ("must state", "add one of them"),
    ("must be a list", "write it in square brackets, such as [0.0, 3.0]"),
    ("must have", "write as many as are asked for"),
    ("must be a whole number", "write it without a point"),
    ("must not be empty", "write the name"),
    ("must not be blank", "write the name"),
    ("must be any, or", "write one of these words"),
)
_ENTRY: Final = re.compile(r"(zone|rule|count|never)\[(\d+)\]\.?")

Kind = TypeVar("Kind", bound=Part)


def parse_limits(text: bytes, where: str = "limits.toml", *, toml: bool = True) -> LimitsBook:
    r"""Read a limits book (format 8) and check it as a whole.

    Parameters
    ----------
    text : bytes
        UTF-8; TOML, or JSON where `toml` is false.
    where : str
        The file's name, for the messages.

    Raises
    ------
    FormatUnknown
        The document is of another kind or of a major version that is not known.
    InputRefused
        Anything else is wrong; all of it is named with its line, its rule and what to do.

    Examples
    --------
    >>> book = parse_limits(b'format = "fringewise.limits/1"\ntitle = "Invented"\nsource = "Invented"\n')
    >>> book.in_force, book.why_not_in_force
    (False, 'no second person has compared the limits book with the manual (checked_by)')
    """
    data, problems = decoded(text, where, toml=toml)
    if data is None:
        raise InputRefused(_worded(problems, {}, {}, where))
    lines = (toml_lines if toml else json_lines)(text.decode("utf-8-sig"))
    try:
        document, more = checked_document(LimitsDocument, data, where)
    except FormatUnknown as unknown:
        raise FormatUnknown(_worded(unknown.problems, lines, data, where)) from None
    faults = [_as_problem(fault, where) for fault in book_faults(_draft(data), data)]
    found = _once([*problems, *more, *faults])
    if found or document is None:
        raise InputRefused(_worded(_in_order(found, lines), lines, data, where))
    return LimitsBook(document, hashlib.sha256(text).hexdigest(), lines)


def _draft(data: Mapping[str, Any]) -> Draft:
    """Collect the entries that are sound by themselves, so that the whole is checked beside single faults."""
    return Draft(
        tuple(_sound(data, "zone", ZoneDocument)),
        tuple(_sound(data, "rule", RuleDocument)),
        tuple(_sound(data, "count", CountDocument)),
        tuple(_sound(data, "never", NeverDocument)),
    )


def _sound(data: Mapping[str, Any], table: str, model: type[Kind]) -> Iterator[Entry[Kind]]:
    entries = data.get(table)
    for n, values in enumerate(entries if isinstance(entries, list) else []):
        try:
            yield Entry(f"{table}[{n}]", model.model_validate(values))
        except PydanticError:
            continue  # told of when the document as a whole was checked


def _as_problem(fault: Fault, where: str) -> Problem:
    return Problem(where, fault.field, f"{fault.rule}; {fault.remedy}", fault.value)


def _once(problems: Sequence[Problem]) -> list[Problem]:
    """Leave out what was said of the same field before."""
    kept: dict[str, Problem] = {}
    for one in problems:
        kept.setdefault(one.field or one.rule, one)
    return list(kept.values())


def _in_order(problems: Sequence[Problem], lines: Mapping[str, int]) -> list[Problem]:
    return sorted(problems, key=lambda one: line_of(lines, one.field) or 0)


def _worded(
    problems: Sequence[Problem], lines: Mapping[str, int], data: Mapping[str, Any], where: str
) -> list[Problem]:
    """Give each problem the line, the entry's own id and a remedy."""
    return [
        Problem(
            _with_line(where, line_of(lines, one.field)),
            _place_words(one.field, data),
            _with_remedy(one.rule),
            one.value,
        )
        for one in problems
    ]


def _with_line(where: str, line: int | None) -> str:
    return where if line is None else f"{where}, line {line}"


def _place_words(place: str, data: Mapping[str, Any]) -> str:
    """Write ``rule[3].unit`` as ``rule "C3-DENT", unit``."""
    match = _ENTRY.match(place)
    if match is None:
        return place
    table, number, rest = match[1], int(match[2]), place[match.end() :]
    entry = data[table][number] if number < len(data[table]) else None
    stated = entry.get("name" if table == "zone" else "id") if isinstance(entry, Mapping) else None
    named = f'{table} "{stated}"' if isinstance(stated, str) and stated.strip() else f"{table} {number + 1}"
    return f"{named}, {rest}" if rest else named


def _with_remedy(rule: str) -> str:
    if "; " in rule:
        return rule
    remedy = next((words for sign, words in _REMEDIES if sign in rule), "compare it with the manual")
    return f"{rule}; {remedy}"
