"""Growth of one damage from inspection to inspection, and how far it shortens the book's interval."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from fringewise.core.checks import Array
from fringewise.verdict.documents import IntervalDocument
from fringewise.verdict.sizes import Size, one_sided_factor

TimeUnit = Literal["hours", "cycles"]

HALF_LIFE_SOURCE: Final = (
    "half-life rule: inspect at one half of the time that growth to the limit is calculated to take "
    "(JSSG-2006 as quoted in USAF EN-SB-12-003, 2012)"
)
_PROBABILITY: Final = 0.95
_HORIZON: Final = 1e9
_HALVINGS: Final = 200


@dataclass(frozen=True, slots=True)
class Sighting:
    """A size of a damage at one inspection, at so many hours or cycles of the engine."""

    at: float
    size: Size

    def __post_init__(self) -> None:
        if not (math.isfinite(self.at) and self.at >= 0):
            raise ValueError(f"hours or cycles must be 0 or more (found {self.at})")


@dataclass(frozen=True, slots=True)
class GrownInterval:
    """An interval with what growth made of it.

    Attributes
    ----------
    interval : IntervalDocument, optional
        None where growth leaves no time at all.
    words : str
        How growth shortened it, with the source of the rule; empty where it did not.
    """

    interval: IntervalDocument | None
    words: str = ""


def time_to_limit(sightings: Sequence[Sighting], limit: float) -> float | None:
    """Give the time from the last sighting until the upper bound of the size meets the limit.

    Three kinds of growth are fitted to all sightings, and the soonest counts: at a steady rate, at a rate in
    proportion to the size, and at a rate with its square (the Paris law with exponent 4, the fast end of what
    metals do): a crack that grows faster the longer it is must not be taken for a steady one. The bound is
    the one-sided 95 % bound of the fitted size.

    Parameters
    ----------
    sightings : sequence of Sighting
        Two or more, at different times.
    limit : float

    Returns
    -------
    float or None
        0 where the bound is beyond the limit already; None where it never meets it.

    Examples
    --------
    >>> seen = [Sighting(0.0, Size(1.0, 1e-6)), Sighting(100.0, Size(2.0, 1e-6))]
    >>> round(time_to_limit(seen, 4.0), 1)
    50.0
    """
    ordered = sorted(sightings, key=lambda one: one.at)
    if len({one.at for one in ordered}) < 2:
        raise ValueError("growth needs two inspections or more, at different times")
    times = [_straight(ordered, limit)]
    if all(one.size.value > 0 for one in ordered) and limit > 0:
        times += [_in_proportion(ordered, limit), _with_square(ordered, limit)]
    known = [one for one in times if one is not None]
    return min(known) if known else None


def shortened(
    interval: IntervalDocument | None, growth: Mapping[TimeUnit, Sequence[Sighting]], limit: float
) -> GrownInterval | None:
    """Let known growth shorten the book's interval; it never lengthens it, and none is given without one.

    Parameters
    ----------
    interval : IntervalDocument, optional
        The book's own.
    growth : mapping of {"hours", "cycles"} to sequence of Sighting
    limit : float
        The boundary that the size must not pass before the next look.

    Examples
    --------
    >>> seen = [Sighting(0.0, Size(1.0, 1e-6)), Sighting(100.0, Size(2.0, 1e-6))]
    >>> shortened(IntervalDocument(cycles=300.0), {"cycles": seen}, 4.1).interval.cycles
    25.0
    >>> shortened(None, {"cycles": seen}, 4.0) is None
    True
    """
    if interval is None:
        return None
    values = {name: getattr(interval, name) for name in ("cycles", "hours", "days")}
    said = []
    for unit, sightings in growth.items():
        time = time_to_limit(sightings, limit)
        half = None if time is None else _down(time / 2)
        if half is not None and (values[unit] is None or half < values[unit]):
            values[unit] = half
            said.append(f"{half:g} {unit}")
    if not said:
        return GrownInterval(interval)
    words = (
        f"Growth since earlier inspections shortens the interval to {' or '.join(said)} ({HALF_LIFE_SOURCE})."
    )
    if any(value == 0 for value in values.values()):
        return GrownInterval(
            None, f"growth since earlier inspections leaves no interval ({HALF_LIFE_SOURCE})"
        )
    return GrownInterval(IntervalDocument(**values), words)


def _down(time: float) -> float:
    """Round a time down to a whole number, as hours and cycles are counted."""
    return float(math.floor(time + 1e-6))


def _straight(sightings: Sequence[Sighting], limit: float) -> float | None:
    fit = _Fit.of([one.at for one in sightings], [one.size.value for one in sightings], _sigmas(sightings))
    return _meeting(lambda ahead: fit.upper(ahead, _factor(sightings)), limit)


def _in_proportion(sightings: Sequence[Sighting], limit: float) -> float | None:
    relative = [s / one.size.value for s, one in zip(_sigmas(sightings), sightings, strict=True)]
    fit = _Fit.of([one.at for one in sightings], [math.log(one.size.value) for one in sightings], relative)
    return _meeting(lambda ahead: fit.upper(ahead, _factor(sightings)), math.log(limit))


def _with_square(sightings: Sequence[Sighting], limit: float) -> float | None:
    """Fit −1/size, which rises in a straight line where the rate goes with the square of the size."""
    values = [-1 / one.size.value for one in sightings]
    sigmas = [s / one.size.value**2 for s, one in zip(_sigmas(sightings), sightings, strict=True)]
    fit = _Fit.of([one.at for one in sightings], values, sigmas)
    return _meeting(lambda ahead: fit.upper(ahead, _factor(sightings)), -1 / limit)


def _sigmas(sightings: Sequence[Sighting]) -> list[float]:
    """Standard uncertainties, those of lopsided sizes from their upper quantile where that is wider."""
    factor = one_sided_factor(_PROBABILITY)
    return [
        max(one.size.standard_uncertainty, (one.size.quantile(_PROBABILITY) - one.size.value) / factor, 1e-9)
        for one in sightings
    ]


def _factor(sightings: Sequence[Sighting]) -> float:
    return one_sided_factor(_PROBABILITY, min(one.size.degrees_of_freedom for one in sightings))


@dataclass(frozen=True, slots=True)
class _Fit:
    """A straight line by weighted least squares, in time from the last sighting on."""

    level: float
    rate: float
    covariance: Array

    @classmethod
    def of(cls, at: Sequence[float], values: Sequence[float], sigmas: Sequence[float]) -> _Fit:
        ahead = np.array(at) - max(at)
        columns = np.column_stack([np.ones_like(ahead), ahead]) / np.array(sigmas)[:, None]
        covariance = np.linalg.inv(columns.T @ columns)
        level, rate = covariance @ columns.T @ (np.array(values) / np.array(sigmas))
        return cls(float(level), float(rate), covariance)

    def upper(self, ahead: float, factor: float) -> float:
        variance = (
            self.covariance[0, 0] + 2 * ahead * self.covariance[0, 1] + ahead**2 * self.covariance[1, 1]
        )
        return self.level + self.rate * ahead + factor * math.sqrt(max(float(variance), 0.0))


def _meeting(upper: Callable[[float], float], limit: float) -> float | None:
    """Find the first time at which a bound meets a limit."""
    if upper(0.0) >= limit:
        return 0.0
    late = 1.0
    while upper(late) < limit:
        late *= 2
        if late > _HORIZON:
            return None
    early = 0.0
    for _ in range(_HALVINGS):
        middle = (early + late) / 2
        if upper(middle) < limit:
            early = middle
        else:
            late = middle
    return early
