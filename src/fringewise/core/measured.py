"""A measured value: the number, its standard uncertainty, where that comes from, and what is left out."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal, get_args

from scipy.special import ndtri, stdtrit

from fringewise.core.checks import finite
from fringewise.core.units import LengthUnit, value_and_doubt

Source = Literal["frame noise", "marks", "restored metal", "definition", "calibration", "stated by source"]
"""The closed list of what an uncertainty can come from (format 5)."""

SOURCES: Final[tuple[Source, ...]] = get_args(Source)

Bound = Literal["both", "at_least", "at_most"]

_MANY_DEGREES: Final = 30.0
_TWO_SIGMA: Final = 0.9545
_SUM_TOLERANCE: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget: a source and its standard uncertainty in the unit of the value."""

    source: Source
    standard_uncertainty: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0):
            raise ValueError(
                f"the {self.source} uncertainty must be 0 or more (found {self.standard_uncertainty})"
            )


@dataclass(frozen=True, slots=True)
class Measured:
    """One quantity of one finding, as format 5 writes it.

    The squares of the budget add up to the square of the standard uncertainty.

    Attributes
    ----------
    name, unit : str
        What was measured (``depth``) and in which unit (``mm``, ``mm²``, ``mm³``, ``deg``).
    value : float
    budget : tuple of Contribution
        One line a source, in the order of `SOURCES`.
    not_included : tuple of str
        Every part that the uncertainty leaves out; never silent.
    degrees_of_freedom : float
        Of the standard uncertainty; infinity where it is well known.
    bound : {"both", "at_least", "at_most"}
        ``at_least`` where a part of the damage was out of view.
    interval : tuple of float, optional
        Shortest 95 % interval where the distribution is lopsided; otherwise it follows from u.
    quantiles : tuple of (probability, value), optional
        For one-sided decisions where the distribution is lopsided.

    Examples
    --------
    >>> budget = (Contribution("frame noise", 0.003), Contribution("marks", 0.002))
    >>> depth = Measured("depth", "mm", 0.312, budget)
    >>> round(depth.standard_uncertainty, 4), round(depth.expanded_uncertainty, 4), depth.in_words()
    (0.0036, 0.0072, '0.312 ± 0.007 mm')
    """

    name: str
    unit: str
    value: float
    budget: tuple[Contribution, ...]
    not_included: tuple[str, ...] = ()
    degrees_of_freedom: float = math.inf
    bound: Bound = "both"
    interval: tuple[float, float] | None = None
    quantiles: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        finite(self.name, self.value)
        sources = [line.source for line in self.budget]
        if len(set(sources)) != len(sources):
            raise ValueError(f"a budget has one line a source (found {sources})")
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"degrees of freedom must be more than 0 (found {self.degrees_of_freedom})")
        if self.interval is not None and not self.interval[0] <= self.interval[1]:
            raise ValueError(f"an interval must rise (found {self.interval[0]} to {self.interval[1]})")

    @property
    def standard_uncertainty(self) -> float:
        """Standard uncertainty u: root of the sum of the budget's squares."""
        return math.sqrt(math.fsum(line.standard_uncertainty**2 for line in self.budget))

    @property
    def coverage_factor(self) -> float:
        """Factor k of U = k u: 2, or Student's t for 95.45 % with fewer than 30 degrees of freedom."""
        if self.degrees_of_freedom >= _MANY_DEGREES:
            return 2.0
        return float(stdtrit(self.degrees_of_freedom, 0.5 + _TWO_SIGMA / 2))

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty U = k u."""
        return self.coverage_factor * self.standard_uncertainty

    @property
    def interval_95(self) -> tuple[float, float]:
        """Probabilistic 95 % interval."""
        if self.interval is not None:
            return self.interval
        few = self.degrees_of_freedom < _MANY_DEGREES
        factor = float(stdtrit(self.degrees_of_freedom, 0.975) if few else ndtri(0.975))
        half = factor * self.standard_uncertainty
        return self.value - half, self.value + half

    def part(self, source: Source) -> float:
        """Give the standard uncertainty from one source; 0 where the budget has no such line."""
        return next((line.standard_uncertainty for line in self.budget if line.source == source), 0.0)

    def with_bound(self, bound: Bound) -> Measured:
        """Give the same value with another `bound`."""
        return replace(self, bound=bound)

    def less(self, amount: float, source: Source, variance: float) -> Measured:
        """Give the value lowered by a correction whose own doubt is a variance from one source.

        Examples
        --------
        >>> depth = Measured("depth", "mm", 0.3, (Contribution("frame noise", 0.003),))
        >>> lower = depth.less(0.001, "frame noise", 0.004**2)
        >>> round(lower.value, 4), round(lower.standard_uncertainty, 4)
        (0.299, 0.005)
        """
        parts = {line.source: line.standard_uncertainty**2 for line in self.budget}
        parts[source] = parts.get(source, 0.0) + variance
        budget = tuple(Contribution(one, math.sqrt(parts[one])) for one in SOURCES if parts.get(one, 0.0) > 0)
        moved = replace(self, value=self.value - amount, budget=budget, interval=None, quantiles=())
        if self.interval is None:
            return moved
        wider = (
            moved.standard_uncertainty / self.standard_uncertainty if self.standard_uncertainty > 0 else 1.0
        )
        low, high = (moved.value + wider * (end - self.value) for end in self.interval)
        quantiles = tuple((p, moved.value + wider * (place - self.value)) for p, place in self.quantiles)
        return replace(moved, interval=(low, high), quantiles=quantiles)

    def in_words(self, length_unit: LengthUnit = "mm") -> str:
        """Write value and doubt as one thing, with "at least" where it is one."""
        words = value_and_doubt(self.value, self.expanded_uncertainty, self.unit, length_unit)
        return words if self.bound == "both" else f"{self.bound.replace('_', ' ')} {words}"
