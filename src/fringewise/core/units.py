"""Millimetres inside, millimetres or inches for the eye, and digits that follow the uncertainty."""

from __future__ import annotations

import math
from typing import Final, Literal

LengthUnit = Literal["mm", "in"]

MM_PER_INCH: Final = 25.4

_MOST_DECIMALS: Final = 6
_MILLION: Final = 1e6

_DIMENSION: Final = {"mm": 1, "mm²": 2, "mm³": 3, "deg": 0, "px": 0, "": 0}
_INCH_NAME: Final = {"mm": "in", "mm²": "in²", "mm³": "in³"}


def shown_in(value: float, unit: str, length_unit: LengthUnit) -> tuple[float, str]:
    """Turn a value in mm, mm² or mm³ into the unit that a person chose; other units stay.

    Examples
    --------
    >>> shown_in(25.4, "mm", "in")
    (1.0, 'in')
    >>> shown_in(3.0, "deg", "in")
    (3.0, 'deg')
    """
    if length_unit == "mm" or _DIMENSION.get(unit, 0) == 0:
        return value, unit
    return value / MM_PER_INCH ** _DIMENSION[unit], _INCH_NAME[unit]


def decimals_for(expanded_uncertainty: float) -> int:
    """Decimals to print: U with two significant digits when its first digit is 1 or 2, else with one.

    Examples
    --------
    >>> decimals_for(0.012), decimals_for(0.008), decimals_for(0.35), decimals_for(12.0)
    (3, 3, 1, 0)
    >>> decimals_for(0.0296), decimals_for(0.096)
    (2, 2)
    """
    if not (math.isfinite(expanded_uncertainty) and expanded_uncertainty > 0):
        return 3
    two_digits = f"{expanded_uncertainty:.1e}"
    one_digit = f"{expanded_uncertainty:.0e}"
    if two_digits[0] in "12":
        return max(0, 1 - int(two_digits[4:]))
    spare = 1 if one_digit[0] == "1" else 0  # 0.096 is 0.10 with the digits that its rounded form asks for
    return max(0, spare - int(one_digit[2:]))


def value_and_doubt(
    value: float, expanded_uncertainty: float, unit: str, length_unit: LengthUnit = "mm"
) -> str:
    """Write a value with its expanded uncertainty as one thing, rounded alike.

    Examples
    --------
    >>> value_and_doubt(0.31234, 0.0081, "mm")
    '0.312 ± 0.008 mm'
    >>> value_and_doubt(0.31234, 0.0081, "mm", "in")
    '0.0123 ± 0.0003 in'
    >>> value_and_doubt(0.1322, 0.001, "mm³", "in")
    '(8.07 ± 0.06) × 10⁻⁶ in³'
    """
    shown, shown_unit = shown_in(value, unit, length_unit)
    doubt, _ = shown_in(expanded_uncertainty, unit, length_unit)
    decimals = decimals_for(doubt)
    if decimals > _MOST_DECIMALS:
        both = f"{shown * _MILLION:.{decimals - 6}f} ± {doubt * _MILLION:.{decimals - 6}f}"
        return f"({both}) × 10⁻⁶ {shown_unit}"
    return f"{shown:.{decimals}f} ± {doubt:.{decimals}f} {shown_unit}".rstrip()


def value_like(value: float, expanded_uncertainty: float, unit: str, length_unit: LengthUnit = "mm") -> str:
    """Write a plain value with the digits that another value's expanded uncertainty asks for.

    Examples
    --------
    >>> value_like(0.31234, 0.0081, "mm"), value_like(0.1317, 0.001, "mm³", "in")
    ('0.312 mm', '8.04 × 10⁻⁶ in³')
    """
    shown, shown_unit = shown_in(value, unit, length_unit)
    decimals = decimals_for(shown_in(expanded_uncertainty, unit, length_unit)[0])
    if decimals > _MOST_DECIMALS:
        return f"{shown * _MILLION:.{decimals - 6}f} × 10⁻⁶ {shown_unit}"
    return f"{shown:.{decimals}f} {shown_unit}".rstrip()
