"""A measured size as decisions weigh it: its value, its doubt, and how probably it keeps to a limit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from scipy.special import ndtri, stdtr, stdtrit

from fringewise.core.measured import Bound

MIRRORED: Final[Mapping[Bound, Bound]] = {"both": "both", "at_least": "at_most", "at_most": "at_least"}

_MANY_DEGREES: Final = 30.0
_TWO_SIGMA: Final = 0.9545
_ROOT_TWO: Final = math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class Size:
    """One quantity of a finding, in mm, mm², mm³, degrees or as a plain ratio.

    Attributes
    ----------
    value : float
    standard_uncertainty : float
    degrees_of_freedom : float
        Of the standard uncertainty; where finite, Student's t takes the place of the normal distribution.
    quantiles : tuple of (probability, value)
        Of a lopsided result, rising; empty where it is not lopsided.
    bound : {"both", "at_least", "at_most"}
    not_included : tuple of str
        What the uncertainty leaves out.
    shared_uncertainty : float
        The part that other measurements with the same equipment share, inside `standard_uncertainty`.

    Examples
    --------
    >>> size = Size(0.740, 0.030)
    >>> round(size.probability_up_to(0.762), 5)  # one upper limit, no prior knowledge (JCGM 106)
    0.76832
    """

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    quantiles: tuple[tuple[float, float], ...] = ()
    bound: Bound = "both"
    not_included: tuple[str, ...] = ()
    shared_uncertainty: float = 0.0

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"a size must be finite (found {self.value})")
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0):
            raise ValueError(f"an uncertainty must be 0 or more (found {self.standard_uncertainty})")
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"degrees of freedom must be more than 0 (found {self.degrees_of_freedom})")
        ordered = tuple(sorted(self.quantiles))
        if any(not 0 < p < 1 for p, _ in ordered):
            raise ValueError("quantiles have probabilities between 0 and 1")
        if any(x > y for (_, x), (_, y) in pairwise(ordered)):
            raise ValueError(f"quantiles must rise with their probability (found {ordered})")
        object.__setattr__(self, "quantiles", ordered)

    @property
    def expanded_uncertainty(self) -> float:
        """U = 2 u, or Student's t for 95.45 % with fewer than 30 degrees of freedom."""
        if self.degrees_of_freedom >= _MANY_DEGREES:
            return 2.0 * self.standard_uncertainty
        factor = float(stdtrit(self.degrees_of_freedom, 0.5 + _TWO_SIGMA / 2))
        return factor * self.standard_uncertainty

    def mirrored(self) -> Size:
        """Give the size with the other side as the worse one."""
        quantiles = tuple((1 - p, -x) for p, x in self.quantiles)
        return replace(self, value=-self.value, quantiles=quantiles, bound=MIRRORED[self.bound])

    def probability_up_to(self, limit: float) -> float:
        """Give P(size ≤ limit) from this measurement alone; 1 or 0 where no doubt is stated."""
        score = self._score(limit)
        if math.isinf(score):
            return 1.0 if score > 0 else 0.0
        if self.quantiles or math.isinf(self.degrees_of_freedom):
            return 0.5 * math.erfc(-score / _ROOT_TWO)
        return float(stdtr(self.degrees_of_freedom, score))

    def quantile(self, probability: float) -> float:
        """Give the value below which the size lies with a probability."""
        if not self.quantiles:
            return (
                self.value
                + one_sided_factor(probability, self.degrees_of_freedom) * self.standard_uncertainty
            )
        return _x_at(float(ndtri(probability)), self._knots(), self.standard_uncertainty)

    def _score(self, limit: float) -> float:
        """Give how many standard deviations a limit lies above the value, in terms of a normal one."""
        if self.quantiles:
            return _z_at(limit, self._knots(), self.standard_uncertainty)
        distance = limit - self.value
        if abs(distance) <= tolerance(limit):
            distance = 0.0
        if self.standard_uncertainty == 0:
            return math.inf if distance >= 0 else -math.inf
        return distance / self.standard_uncertainty

    def _knots(self) -> list[tuple[float, float]]:
        """Give (value, standard deviations of a normal one) of a lopsided result, rising in both."""
        knots = [(x, float(ndtri(p))) for p, x in self.quantiles if p != 0.5]
        low = max((x for x, z in knots if z < 0), default=-math.inf)
        high = min((x for x, z in knots if z > 0), default=math.inf)
        median = next((x for p, x in self.quantiles if p == 0.5), self.value)
        return sorted([*knots, (min(max(median, low), high), 0.0)], key=lambda knot: knot[1])


def one_sided_factor(probability: float, degrees_of_freedom: float = math.inf) -> float:
    """Give the factor k with P(size ≤ value + k u) = `probability`: normal, or Student's t.

    Examples
    --------
    >>> round(one_sided_factor(0.95), 4), round(one_sided_factor(0.95, 5.0), 2)
    (1.6449, 2.02)
    """
    if math.isinf(degrees_of_freedom):
        return float(ndtri(probability))
    return float(stdtrit(degrees_of_freedom, probability))


def tolerance(limit: float) -> float:
    """Give the distance within which a value counts as lying at a limit: what binary numbers blur.

    Examples
    --------
    >>> abs(0.1 + 0.2 - 0.3) < tolerance(0.3) < 1e-9
    True
    """
    return 1e-12 + 1e-12 * abs(limit)


def _z_at(x: float, knots: list[tuple[float, float]], sigma: float) -> float:
    """Read the line through the knots at a value; it goes on beyond them."""
    if x < knots[0][0] - tolerance(x):
        return _beyond(knots[0][1], x - knots[0][0], _spread(knots, 0, sigma))
    for n in range(len(knots) - 1, -1, -1):
        distance = x - knots[n][0]
        if distance < -tolerance(x):
            continue
        if n == len(knots) - 1:
            return _beyond(knots[n][1], max(distance, 0.0), _spread(knots, n, sigma))
        wide = knots[n + 1][0] - knots[n][0]
        return knots[n][1] + (knots[n + 1][1] - knots[n][1]) * max(distance, 0.0) / wide
    raise AssertionError("a value lies below the knots or above one of them")


def _x_at(z: float, knots: list[tuple[float, float]], sigma: float) -> float:
    """Read the same line the other way round."""
    if z <= knots[0][1]:
        return knots[0][0] + (z - knots[0][1]) * _spread(knots, 0, sigma)
    for (x, low), (following, high) in pairwise(knots):
        if z <= high:
            return x + (following - x) * (z - low) / (high - low)
    return knots[-1][0] + (z - knots[-1][1]) * _spread(knots, len(knots) - 1, sigma)


def _beyond(z: float, distance: float, spread: float) -> float:
    if distance == 0:
        return z
    return z + distance / spread if spread > 0 else math.copysign(math.inf, distance)


def _spread(knots: list[tuple[float, float]], end: int, sigma: float) -> float:
    """Give the length of one standard deviation beyond an end: as stated, or as to that end, the wider."""
    middle = next(x for x, z in knots if z == 0)
    x, z = knots[end]
    return sigma if z == 0 else max(sigma, (x - middle) / z)
