"""Repeatability and reproducibility by averages and ranges.

With R̄ the mean range of a person's repeats of one feature, X̄diff the range of the people's means and Rp that
of the features' means (n features, k people, r repeats)::

    EV = R̄ K1(r)      AV² = (X̄diff K2(k))² − EV²/(n r)      PV = Rp K3(n)

K1 = 1/E[range of r], K2 and K3 = 1/√E[range²], of normal values; they are worked out here, not looked up.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.special import ndtr

from fringewise.core.checks import Array
from fringewise.study.readings import StudyTable
from fringewise.study.results import StudyResult

_REACH: Final = 8.0
_NODES: Final = 1601


def by_average_range(table: StudyTable) -> StudyResult:
    """Judge a study by averages and ranges.

    Ranges beyond their control limit are named in the notes.

    Examples
    --------
    >>> same = np.arange(3.0)[:, None, None] + np.zeros((3, 2, 2))
    >>> found = by_average_range(StudyTable(("1", "2", "3"), ("A", "B"), "mm", same))
    >>> found.repeatability, found.reproducibility, round(found.features, 4)
    (0.0, 0.0, 1.0463)
    """
    values = table.values
    features, people, repeats = values.shape
    ranges = np.ptp(values, axis=2)
    mean_range = float(ranges.mean())
    repeatability = mean_range / mean_of_range(repeats)
    between = float(np.ptp(values.mean(axis=(0, 2)))) / root_of_square_range(people)
    square = between**2 - repeatability**2 / (features * repeats)
    parts = float(np.ptp(values.mean(axis=(1, 2)))) / root_of_square_range(features)
    notes = _out_of_control(table, ranges, mean_range)
    return StudyResult("average-range", table.unit, repeatability, math.sqrt(max(square, 0.0)), parts, notes)


def range_limit(mean_range: float, repeats: int) -> float:
    """Upper control limit of the ranges: R̄ (1 + 3 σ_R/E[R])."""
    mean, root = mean_of_range(repeats), root_of_square_range(repeats)
    return mean_range * (1 + 3 * math.sqrt(root**2 - mean**2) / mean)


@lru_cache
def mean_of_range(count: int) -> float:
    """Mean of the range of `count` standard normal values: ∫ 1 − Φⁿ − (1 − Φ)ⁿ.

    Examples
    --------
    >>> round(mean_of_range(2), 5), round(mean_of_range(3), 4)
    (1.12838, 1.6926)
    """
    x = np.linspace(-_REACH, _REACH, _NODES)
    below = ndtr(x)
    return float(np.trapezoid(1 - below**count - (1 - below) ** count, x))


@lru_cache
def root_of_square_range(count: int) -> float:
    """Root of the mean square of that range: E[R²] = 2 ∬_{x<y} 1 − Fyⁿ − (1 − Fx)ⁿ + (Fy − Fx)ⁿ.

    Examples
    --------
    >>> round(root_of_square_range(2), 4), round(root_of_square_range(3), 3)
    (1.4142, 1.912)
    """
    x = np.linspace(-_REACH, _REACH, _NODES)
    step = x[1] - x[0]
    below = ndtr(x)
    total = 0.0
    for n in range(_NODES):
        over = below[n:]
        inner = 1 - over**count - (1 - below[n]) ** count + (over - below[n]) ** count
        total += float(inner.sum() - inner[0] / 2)
    return math.sqrt(2 * total * step**2)


def _out_of_control(table: StudyTable, ranges: Array, mean_range: float) -> tuple[str, ...]:
    limit = range_limit(mean_range, table.repeats)
    return tuple(
        f"feature {table.features[i]}, person {table.people[j]}: range {ranges[i, j]:g} is beyond "
        f"its control limit {limit:.3g}"
        for i, j in zip(*np.nonzero(ranges > limit), strict=True)
    )
