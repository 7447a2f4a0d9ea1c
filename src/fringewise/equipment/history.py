"""Verifications of a head over time: an individuals chart that calls a drift out before it fails.

The chart is the individuals and moving-range chart; its limits lie at the mean ± 2.66 mean moving ranges.
The rule set used, `RULE_SET`, is two rules: a point beyond the limits, and eight in a row on one side of the
centre. With limits that are known exactly it gives a false alarm once in some 150 points (the first rule
alone: 370).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.documents import moment_of
from fringewise.equipment.documents import VerificationDocument

RULE_SET: Final = (
    "individuals chart, two rules: a point beyond the mean ± 2.66 mean moving ranges;"
    " eight in a row on one side of the centre"
)
FALSE_ALARM_ONCE_IN: Final = 150
"""Points between false alarms of `RULE_SET` where the limits are known, rounded; simulated in the tests."""

RUN: Final = 8
MOVING_RANGE_FACTOR: Final = 2.659574  # 3 / 1.128, the mean range of two normal values
LEAST_POINTS: Final = 5
_SURE: Final = 2.5  # standard errors of a slope


@dataclass(frozen=True, slots=True)
class Chart:
    """One feature's errors over time.

    Attributes
    ----------
    finding, quantity, unit : str
    moments : tuple of datetime
    errors : (N,) array
    expanded : (N,) array
        U of the readings.
    permissible_error : float
        The latest one.
    centre, low, high : float
        Of the chart; NaN with fewer than `LEAST_POINTS`.
    signals : tuple of (int, str)
        Which points a rule speaks of, and how.
    drift : str
        In words; empty where none shows.
    """

    finding: str
    quantity: str
    unit: str
    moments: tuple[datetime, ...]
    errors: Array
    expanded: Array
    permissible_error: float
    centre: float
    low: float
    high: float
    signals: tuple[tuple[int, str], ...]
    drift: str


def charts_of(verifications: Sequence[VerificationDocument], head: str) -> tuple[Chart, ...]:
    """Make a chart for each feature of each block that a head was verified on, in order of time.

    Parameters
    ----------
    verifications : sequence of VerificationDocument
        Of any heads.
    head : str
        Serial.
    """
    own = sorted((one for one in verifications if one.head == head), key=lambda one: moment_of(one.done_at))
    rows: dict[tuple[str, str, str, str], list[tuple[datetime, float, float, float]]] = {}
    for one in own:
        for read in one.features:
            name = (one.block, read.finding, read.quantity, read.unit)
            row = moment_of(one.done_at), read.error, read.expanded_uncertainty, read.permissible_error
            rows.setdefault(name, []).append(row)
    return tuple(_chart(name, found) for name, found in rows.items())


def signals_of(values: Array, centre: float, low: float, high: float) -> list[tuple[int, str]]:
    """Say which points break a rule of `RULE_SET`.

    Examples
    --------
    >>> signals_of(np.array([0.0, 4.0, 0.1]), 0.0, -3.0, 3.0)
    [(1, 'beyond the control limits')]
    """
    made, run, side = [], 0, 0.0
    for n, value in enumerate(values):
        now = float(np.sign(value - centre))
        run = run + 1 if now == side and now != 0 else 1
        side = now
        if not low <= value <= high:
            made.append((n, "beyond the control limits"))
        if run >= RUN:
            made.append((n, f"{RUN} in a row on one side of the centre"))
    return made


def _chart(name: tuple[str, str, str, str], rows: Sequence[tuple[datetime, float, float, float]]) -> Chart:
    block, finding, quantity, unit = name
    errors = np.array([row[1] for row in rows])
    centre = low = high = math.nan
    signals: list[tuple[int, str]] = []
    if len(rows) >= LEAST_POINTS:
        centre = float(errors.mean())
        reach = MOVING_RANGE_FACTOR * float(np.mean(np.abs(np.diff(errors))))
        low, high = centre - reach, centre + reach
        signals = signals_of(errors, centre, low, high)
    return Chart(
        f"{block} {finding}",
        quantity,
        unit,
        tuple(row[0] for row in rows),
        errors,
        np.array([row[2] for row in rows]),
        rows[-1][3],
        centre,
        low,
        high,
        tuple(signals),
        _drift(errors, rows[-1][3], f"{finding} {quantity}", unit),
    )


def _drift(errors: Array, permissible: float, name: str, unit: str) -> str:
    """Whether the errors go one way, by the slope of a straight line against its standard error."""
    count = len(errors)
    if count < LEAST_POINTS:
        return ""
    place = np.arange(count) - (count - 1) / 2
    slope = float(place @ errors / (place @ place))
    left = errors - errors.mean() - slope * place
    spread = math.sqrt(float(left @ left) / (count - 2) / float(place @ place))
    if abs(slope) <= _SURE * spread or slope == 0:
        return ""
    now = float(errors.mean() + slope * place[-1])
    room = permissible - now if slope > 0 else permissible + now
    soon = max(math.floor(room / abs(slope)), 0)
    return (
        f"{name} drifts by {slope:+.2g} {unit} from one verification to the next: at this rate it leaves the"
        f" permissible {permissible:g} {unit} in {soon} more; calibrate the head before"
    )
