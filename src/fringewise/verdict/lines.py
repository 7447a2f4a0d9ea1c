"""The line on which each field of a TOML or JSON document stands, so that a fault can be found in the text.

One small scan of a text that was already read without a fault; it knows strings, comments, brackets and
names, and nothing of what values mean.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

_SPACES: Final = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANKS: Final = re.compile(r"[ \t]*")
_STRING: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"""+|\'\'\'.*?\'\'\'+|"(?:\\.|[^"\n])*"|\'[^\'\n]*\'', flags=re.DOTALL
)
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR: Final = re.compile(r"[^,\]}\n#]*")


def toml_lines(text: str) -> Mapping[str, int]:
    r"""Give the line (from 1) of each field of a TOML text, such as ``rule[2].blend.depth_max``.

    Tables and entries of arrays of tables stand under their own names, such as ``rule[2]``.

    Examples
    --------
    >>> lines = toml_lines('title = "x"\n\n[[rule]]\nid = "A"\nblend = {depth_max = 1.0}\n')
    >>> lines["rule[0]"], lines["rule[0].id"], lines["rule[0].blend.depth_max"]
    (3, 4, 5)
    """
    scan = _Scan(text.replace("\r\n", "\n"))
    scan.toml()
    return scan.found


def json_lines(text: str) -> Mapping[str, int]:
    r"""Give the line (from 1) of each field of a JSON text.

    Examples
    --------
    >>> json_lines('{"rule": [\n {"id": "A"},\n {"id": "B"}]}')["rule[1].id"]
    3
    """
    scan = _Scan(text.replace("\r\n", "\n"))
    scan.skip(_SPACES)
    scan.value("")
    return scan.found


def line_of(lines: Mapping[str, int], place: str) -> int | None:
    """Give the line of a field or, where it has none, of the nearest thing that holds it.

    Examples
    --------
    >>> line_of({"rule[0]": 3}, "rule[0].unit"), line_of({}, "title")
    (3, None)
    """
    while place:
        if place in lines:
            return lines[place]
        place = re.sub(r"(?:\.?[^.\[\]]+|\[\d+\])$", "", place) if re.search(r"[.\[]", place) else ""
    return None


@dataclass(slots=True)
class _Scan:
    """A place in a text, and the lines found so far."""

    text: str
    at: int = 0
    line: int = 1
    found: dict[str, int] = field(default_factory=dict)
    tables: dict[str, int] = field(default_factory=dict)

    def toml(self) -> None:
        above = ""
        self.skip(_SPACES)
        while self.at < len(self.text):
            start = self.at
            if self.text[self.at] == "[":
                above = self._header()
            else:
                line, place = self.line, joined(above, self._names())
                self.found.setdefault(place, line)
                self._past("=")
                self.value(place)
            self.skip(_SPACES)
            if self.at == start:  # not TOML after all: no more lines are known
                return

    def value(self, place: str) -> None:
        """Pass over a value; the fields inside it are noted."""
        self.skip(_SPACES)
        opening = self.text[self.at : self.at + 1]
        if opening == "{":
            self._inside("}", place, named=True)
        elif opening == "[":
            self._inside("]", place, named=False)
        elif not self.skip(_STRING):
            self.skip(_SCALAR)

    def skip(self, pattern: re.Pattern[str]) -> str:
        """Pass over what the pattern matches here, counting lines; gives it."""
        match = pattern.match(self.text, self.at)
        passed = match[0] if match else ""
        self.at += len(passed)
        self.line += passed.count("\n")
        return passed

    def _inside(self, closing: str, place: str, *, named: bool) -> None:
        self.at += 1
        number = 0
        while True:
            self.skip(_SPACES)
            if self.at >= len(self.text) or self.text[self.at] == closing:
                self.at += 1
                return
            start, line = self.at, self.line
            below = joined(place, self._names()) if named else f"{place}[{number}]"
            self.found.setdefault(below, line)
            if named:
                self.skip(_SPACES)
                self.at += 1  # = or :
            self.value(below)
            self.skip(_SPACES)
            self._past(",")
            number += 1
            if self.at == start:
                return

    def _header(self) -> str:
        """Read ``[table]`` or ``[[table]]``; gives the place that its fields stand in."""
        line, many = self.line, self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        self.skip(_BLANKS)
        names = self._name_list()
        self.skip(_BLANKS)
        self.at += 2 if many else 1
        place = ""
        for n, name in enumerate(names):
            place = joined(place, name)
            last = n == len(names) - 1
            if last and many:
                self.tables[place] = self.tables.get(place, -1) + 1
            if place in self.tables:
                place = f"{place}[{self.tables[place]}]"
        self.found.setdefault(place, line)
        return place

    def _names(self) -> str:
        return ".".join(self._name_list())

    def _name_list(self) -> list[str]:
        names = []
        while True:
            self.skip(_BLANKS)
            quoted = self.skip(_STRING)
            names.append(quoted[1:-1] if quoted else self.skip(_BARE))
            self.skip(_BLANKS)
            if not self._past("."):
                return names

    def _past(self, sign: str) -> bool:
        there = self.text.startswith(sign, self.at)
        self.at += there
        return there


def joined(above: str, name: str) -> str:
    """Add a name to the place that holds it."""
    return f"{above}.{name}" if above else name
