"""The study table (format 12): every person measures every feature as often as every other."""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from fringewise.core.checks import Array, frozen, shaped
from fringewise.core.errors import InputRefused, Problem

COLUMNS: Final = ("feature", "person", "repeat", "value", "unit")
_LEAST: Final = 2
_MOST_READINGS: Final = 100_000
Cell = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class StudyTable:
    """Readings of a study.

    Attributes
    ----------
    features, people : tuple of str
        In the order in which they first appear.
    unit : str
    values : (features, people, repeats) array
    """

    features: tuple[str, ...]
    people: tuple[str, ...]
    unit: str
    values: Array

    def __post_init__(self) -> None:
        shaped("values", np.asarray(self.values), len(self.features), len(self.people), None)
        if min(self.values.shape) < _LEAST:
            raise ValueError("a study needs two features, two people and two repeats, or more")
        if not np.all(np.isfinite(self.values)):
            raise ValueError("readings must be finite")
        object.__setattr__(self, "values", frozen(self.values))

    @property
    def repeats(self) -> int:
        """How often each person measured each feature."""
        return int(self.values.shape[2])


def parse_study(text: str, where: str = "study") -> StudyTable:
    r"""Read a study table (format 12).

    Parameters
    ----------
    text : str
        CSV with a header ``feature,person,repeat,value,unit``, one row a reading, in any order.
    where : str
        What the table is called in messages.

    Raises
    ------
    InputRefused
        Every problem in it, with its line.

    Examples
    --------
    >>> rows = [f"{f},{p},{r},{f}.{r}" for f in (1, 2) for p in "AB" for r in (1, 2)]
    >>> table = parse_study("feature,person,repeat,value,unit" + "".join(f"\n{row},mm" for row in rows))
    >>> table.values.shape, table.people, table.unit
    ((2, 2, 2), ('A', 'B'), 'mm')
    """
    lines = text.removeprefix("\ufeff").splitlines()
    rows = [(n, row) for n, row in enumerate(csv.reader(lines), 1) if any(cell.strip() for cell in row)]
    if not rows:
        raise InputRefused([Problem(where, "", f"is empty: give {','.join(COLUMNS)} and one row a reading")])
    header = [cell.strip().lower() for cell in rows[0][1]]
    missing = [name for name in COLUMNS if name not in header]
    if missing:
        rule = f"must name the columns {', '.join(COLUMNS)}: {', '.join(missing)} missing"
        raise InputRefused([Problem(where, f"line {rows[0][0]}", rule, ",".join(header))])
    if len(rows) > _MOST_READINGS:
        raise InputRefused([Problem(where, "", f"holds {len(rows)} rows; {_MOST_READINGS} at most are read")])
    problems: list[Problem] = []
    readings: dict[Cell, float] = {}
    units: Counter[str] = Counter()
    for line, row in rows[1:]:
        found = _reading(
            dict(zip(header, (cell.strip() for cell in row), strict=False)), f"line {line}", where
        )
        if isinstance(found, Problem):
            problems.append(found)
            continue
        cell, value, unit = found
        if cell in readings:
            rule = f"feature {cell[0]}, person {cell[1]}, repeat {cell[2]} must be given once, not twice"
            problems.append(Problem(where, f"line {line}", rule))
        readings[cell] = value
        units[unit] += 1
    if len(units) > 1:
        problems.append(Problem(where, "unit", "must be the same in every row", ", ".join(sorted(units))))
    problems.extend(_gaps(readings, where))
    if problems:
        raise InputRefused(problems)
    return _table(readings, next(iter(units)))


def _reading(row: dict[str, str], line: str, where: str) -> tuple[Cell, float, str] | Problem:
    empty = [name for name in COLUMNS if not row.get(name)]
    if empty:
        return Problem(where, line, f"must give {', '.join(empty)}")
    try:
        value = float(row["value"])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        return Problem(where, line, "value must be a number, with a point", row["value"])
    return (row["feature"], row["person"], row["repeat"]), value, row["unit"]


def _gaps(readings: Iterable[Cell], where: str) -> Iterator[Problem]:
    """Say what is missing for a study in which everybody measured everything equally often."""
    cells = list(readings)
    counts = Counter((feature, person) for feature, person, _ in cells)
    features, people = (list(dict.fromkeys(cell[k] for cell in cells)) for k in (0, 1))
    for name, found in (("features", features), ("people", people)):
        if len(found) < _LEAST:
            yield Problem(where, "", f"needs two {name} or more", str(len(found)))
    most = max(counts.values(), default=0)
    if cells and most < _LEAST:
        yield Problem(where, "", "needs two repeats or more of each feature by each person", str(most))
    for feature in features:
        for person in people:
            had = counts[feature, person]
            if had < most:
                rule = f"feature {feature}, person {person} must have {most} repeats like the others"
                yield Problem(where, "", rule, str(had))


def _table(readings: dict[Cell, float], unit: str) -> StudyTable:
    features, people = (tuple(dict.fromkeys(cell[k] for cell in readings)) for k in (0, 1))
    by_pair: dict[tuple[str, str], list[float]] = {}
    for (feature, person, _), value in readings.items():
        by_pair.setdefault((feature, person), []).append(value)
    values = np.array([[by_pair[feature, person] for person in people] for feature in features])
    return StudyTable(features, people, unit, values)
