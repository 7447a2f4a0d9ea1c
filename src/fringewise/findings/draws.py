"""What many draws of one size say: mean, spread, 95 % interval, and whether the linear route agrees."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.measured import Source

COVERAGE: Final = 0.95
_ONE_SIDED: Final = (0.05, 0.95)


@dataclass(frozen=True, slots=True)
class Drawn:
    """One size over draws.

    Attributes
    ----------
    value : float
        Mean of the draws.
    standard_uncertainty : float
    interval : (low, high)
        95 %: as much on either side, or the shortest where the draws are lopsided.
    quantiles : tuple of (probability, value)
        At 0.05 and 0.95.
    ends : (low, high)
        The interval with as much on either side, for comparison with the linear one.
    beside : (low, high), optional
        The same interval of what the linear route makes of the very same draws.
    """

    value: float
    standard_uncertainty: float
    interval: tuple[float, float]
    quantiles: tuple[tuple[float, float], ...]
    ends: tuple[float, float]
    beside: tuple[float, float] | None

    def scaled(self, parts: Mapping[Source, float]) -> dict[Source, float]:
        """Variances by source, scaled so that they add up to the variance of all drawn together."""
        total = math.fsum(parts.values())
        scale = self.standard_uncertainty**2 / total if total > 0 else 0.0
        return {source: part * scale for source, part in parts.items()}

    def turned(self, found: float, doubt: float | None) -> Drawn:
        """Turn the draws round the size as found: that lies from the truth as the draws lie from it.

        (The basic bootstrap.) What noise adds on average, the luck, is taken off so and not added again;
        `doubt` times the luck stays in the standard uncertainty. With None the luck is left where it is: the
        mean stays at the size as found.
        """
        luck = self.value - found
        middle = found if doubt is None else found - luck
        spread = math.hypot(self.standard_uncertainty, (doubt or 0.0) * luck)
        wider = spread / self.standard_uncertainty if self.standard_uncertainty > 0 else 1.0

        def turn(ends: tuple[float, float], about: float, by: float) -> tuple[float, float]:
            return middle + by * (about - ends[1]), middle + by * (about - ends[0])

        return replace(
            self,
            value=middle,
            standard_uncertainty=spread,
            interval=turn(self.interval, self.value, wider),
            quantiles=tuple(
                (round(1 - p, 10), middle + wider * (self.value - place))
                for p, place in reversed(self.quantiles)
            ),
            ends=turn(self.ends, self.value, wider),
            beside=None if self.beside is None else (2 * found - self.beside[1], 2 * found - self.beside[0]),
        )


def summarised(sizes: Array, found: float, beside: Array | None) -> Drawn:
    """Sum up draws (count,) of a size found as `found`; `beside` holds the linear route's, draw by draw.

    Where the linear route says something of each draw, the mean is told from what it misses, which scatters
    less than the draws themselves.
    """
    tail = (1 - COVERAGE) / 2
    low, *one_sided, high = (float(q) for q in np.quantile(sizes, (tail, *_ONE_SIDED, 1 - tail)))
    mean = float(sizes.mean()) if beside is None else found + float(np.mean(sizes - beside))
    spread = float(sizes.std(ddof=1))
    lopsided = abs((high - mean) - (mean - low)) > 2 * tolerance(spread, 1) if spread > 0 else False
    interval = shortest_interval(sizes) if lopsided else (low, high)
    quantiles = tuple(zip(_ONE_SIDED, one_sided, strict=True))
    other = None if beside is None else _ends(beside)
    return Drawn(mean, spread, interval, quantiles, (low, high), other)


def _ends(sizes: Array) -> tuple[float, float]:
    tail = (1 - COVERAGE) / 2
    low, high = np.quantile(sizes, (tail, 1 - tail))
    return float(low), float(high)


def shortest_interval(sizes: Array, coverage: float = COVERAGE) -> tuple[float, float]:
    """Shortest interval that holds a share of the draws (JCGM 101, 7.7.4).

    Examples
    --------
    >>> shortest_interval(np.arange(1000.0) ** 2, 0.5)
    (0.0, 250000.0)
    """
    ordered = np.sort(sizes)
    held = min(math.floor(coverage * len(ordered) + 0.5), len(ordered) - 1)
    first = int(np.argmin(ordered[held:] - ordered[: len(ordered) - held]))
    return float(ordered[first]), float(ordered[first + held])


def tolerance(standard_uncertainty: float, digits: int) -> float:
    """Half a unit of the last of `digits` digits of u (JCGM 101, 7.9.2): δ = 10^l / 2 where u = c · 10^l.

    Examples
    --------
    >>> tolerance(0.0361, 2), tolerance(0.0996, 2)
    (0.0005, 0.005)
    """
    if standard_uncertainty <= 0:
        return 0.0
    last = math.floor(math.log10(standard_uncertainty)) - digits + 1
    if round(standard_uncertainty / 10.0**last) >= 10**digits:
        last += 1
    return 0.5 * 10.0**last


def agree(linear: tuple[float, float], standard_uncertainty: float, drawn: Drawn, digits: int) -> bool:
    """Whether both ends of the linear interval lie within the tolerance of the drawn one (JCGM 101, 8.1).

    Where the linear route was followed through the same draws, the difference between both is taken from
    those, so that the draws' own luck does not enter.
    """
    most = tolerance(standard_uncertainty, digits)
    reference = linear if drawn.beside is None else drawn.beside
    return all(abs(a - b) <= most for a, b in zip(reference, drawn.ends, strict=True))
