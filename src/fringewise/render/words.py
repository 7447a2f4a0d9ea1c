"""Words and numbers on pictures: thin spaces, names of quantities, round numbers for scales."""

from __future__ import annotations

import math
from typing import Final

from fringewise.core.measured import Measured
from fringewise.core.units import LengthUnit, shown_in
from fringewise.findings.finding import Finding, FindingResult
from fringewise.findings.kind import quantity_words

THIN: Final = "\u2009"

_STEPS: Final = (1.0, 2.0, 5.0, 10.0)


def number_words(words: str) -> str:
    """Put thin spaces before units and round ±.

    Examples
    --------
    >>> number_words("at least 0.312 ± 0.008 mm").split(" ")[:2]
    ['at', 'least']
    >>> "312" in number_words("0.312 ± 0.008 mm") and " " not in number_words("0.312 ± 0.008 mm")
    True
    """
    words = words.replace(" ± ", f"{THIN}±{THIN}")
    for unit in ("mm", "mm²", "mm³", "in", "in²", "in³", "deg", "px"):
        if words.endswith(f" {unit}"):
            return f"{words[: -len(unit) - 1]}{THIN}{unit}"
    return words


def value_words(measured: Measured, unit: LengthUnit) -> str:
    """Write value and doubt as one thing."""
    return number_words(measured.in_words(unit))


def length_words(length_mm: float, unit: LengthUnit, decimals: int) -> str:
    r"""Write a plain length, such as an end of a scale.

    Examples
    --------
    >>> length_words(-0.25, "mm", 2)
    '−0.25\u2009mm'
    """
    value, name = shown_in(length_mm, "mm", unit)
    return f"{signed(value, decimals)}{THIN}{name}"


def signed(value: float, decimals: int) -> str:
    """Write a number with a proper minus sign; nothing that rounds to 0 has one."""
    words = f"{value:.{decimals}f}"
    return words.replace("-", "−") if float(words) != 0 else words.replace("-", "")


def kind_words(finding: Finding) -> str:
    """Give a finding's kind as it is spoken."""
    return finding.kind.replace("_", " ")


def main_words(result: FindingResult, unit: LengthUnit) -> tuple[str, str]:
    """Give the quantity that matters most by name, and its value with doubt; or that there is none."""
    if not result.quantities:
        return "", "not measured"
    first = result.quantities[0]
    return quantity_words(first.name), value_words(first, unit)


def round_step(span: float, most: int) -> float:
    """Give the smallest step of 1, 2 or 5 times a power of ten that parts `span` into `most` at most.

    Examples
    --------
    >>> round_step(1.37, 5), round_step(0.009, 4)
    (0.5, 0.005)
    """
    if not (math.isfinite(span) and span > 0):
        return 1.0
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(s for s in _STEPS if s * power * most >= span * (1 - 1e-9))
    return float(f"{step * power:.6g}")


def decimals_of(step: float) -> int:
    """Decimals that a step of a scale needs.

    Examples
    --------
    >>> decimals_of(0.05), decimals_of(2.0), decimals_of(0.001)
    (2, 0, 3)
    """
    return max(0, -math.floor(math.log10(step) + 1e-9))
