"""Numbers in words, for what commands print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from fringewise.core.errors import InputRefused, Problem
from fringewise.core.units import MM_PER_INCH

_MOST_ITEMS: Final = 10_000


def length(value_mm: float, unit: str, decimals: int = 1) -> str:
    """Write a length that carries no doubt of its own, such as a stand-off.

    Examples
    --------
    >>> length(17.94, "mm"), length(17.94, "in"), length(float("nan"), "mm")
    ('17.9 mm', '0.706 in', 'not known')
    """
    if not math.isfinite(value_mm):
        return "not known"
    if unit == "in":
        return f"{value_mm / MM_PER_INCH:.{decimals + 2}f} in"
    return f"{value_mm:.{decimals}f} mm"


def small_length(value_mm: float, unit: str) -> str:
    """Write a length of a few thousandths with two significant digits: micrometres, or inches.

    Examples
    --------
    >>> small_length(0.0123, "mm"), small_length(0.114, "mm"), small_length(0.0123, "in")
    ('12 µm', '110 µm', '0.00048 in')
    """
    if not math.isfinite(value_mm):
        return "not known"
    if unit == "in":
        return f"{float(f'{value_mm / MM_PER_INCH:.2g}'):.7f}".rstrip("0").rstrip(".") + " in"
    return f"{float(f'{1000 * value_mm:.2g}'):g} µm"


def share(fraction: float) -> str:
    """Write a share in percent; a small one is never written as none.

    Examples
    --------
    >>> share(0.7123), share(0.00001), share(0.0)
    ('71.2 %', 'less than 0.1 %', '0.0 %')
    """
    return "less than 0.1 %" if 0 < fraction < 0.001 else f"{100 * fraction:.1f} %"


def pairs_of(option: str, given: Sequence[str]) -> dict[str, str]:
    """Read NAME=WORDS options; InputRefused where one has no name.

    Examples
    --------
    >>> pairs_of("--leave-out", ["F3=the probe slipped"])
    {'F3': 'the probe slipped'}
    """
    pairs = [one.partition("=") for one in given]
    problems = [
        Problem(option, "", "must be written as NAME=WORDS", one)
        for one, (name, _, words) in zip(given, pairs, strict=True)
        if not name.strip() or not words.strip()
    ]
    if problems:
        raise InputRefused(problems)
    return {name.strip(): words.strip() for name, _, words in pairs}


def items_of(words: str) -> tuple[str, ...]:
    """Read items such as "1-3,7" one by one; what is no range of numbers is an item by itself.

    Examples
    --------
    >>> items_of("1-3, 7, A4")
    ('1', '2', '3', '7', 'A4')
    """
    found: list[str] = []
    for piece in (one.strip() for one in words.split(",")):
        first, _, last = piece.partition("-")
        if first.isdigit() and last.isdigit() and int(last) - int(first) < _MOST_ITEMS:
            found += map(str, range(int(first), int(last) + 1))
        elif piece:
            found.append(piece)
    return tuple(found)
