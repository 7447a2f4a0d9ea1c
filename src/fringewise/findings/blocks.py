"""What a size is worked out from: blocks of inputs that scatter together, each from one source."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fringewise.core.checks import Array, frozen, shaped
from fringewise.core.measured import SOURCES, Source
from fringewise.findings.combine import Touch

Draw = Callable[[np.random.Generator, int], npt.NDArray[Any]]
"""Draws (count, n) of a block's values, in double or single precision."""

_LEAST_DEGREES: Final = 2.0


@dataclass(frozen=True, slots=True)
class Block:
    """Inputs that come from one source; different blocks are independent of one another.

    Attributes
    ----------
    source : Source
        The budget's line that their scatter goes to.
    values : (n,) array
        As fitted or as marked. Draws start here: a fitted value has had its noise once already.
    factor : (n, m) array, optional
        Covariance = factor · factorᵀ. Absent where `draw` and `variance` say how the values scatter.
    degrees_of_freedom : float
        Of the covariance; infinity where it is well known. Few make draws from Student's t.
    draw : callable, optional
        Draws that are not normal, or come cheaper than from a factor: (rng, count) -> (count, n).
    variance : callable, optional
        Variances (q,) of linear sums with rows (q, n), where there is no factor.
    draw_is_normal : bool
        Whether `draw` gives normal ones.

    Examples
    --------
    >>> marks = Block.independent("marks", [100.0, 200.0], 0.7)
    >>> marks.draws(np.random.default_rng(1), 5).shape
    (5, 2)
    """

    source: Source
    values: Array
    factor: Array | None = None
    degrees_of_freedom: float = math.inf
    draw: Draw | None = None
    variance: Callable[[Array], Array] | None = None
    draw_is_normal: bool = False

    def __post_init__(self) -> None:
        shaped("a block's values", np.asarray(self.values), None)
        object.__setattr__(self, "values", frozen(self.values))
        if self.factor is not None:
            shaped("a block's factor", np.asarray(self.factor), len(self.values), None)
            object.__setattr__(self, "factor", frozen(self.factor))
        if self.source not in SOURCES:
            raise ValueError(f"a budget has no source {self.source}")
        if self.factor is None and self.draw is None:
            raise ValueError("a block needs a factor of its covariance, or a way to draw from it")
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"degrees of freedom must be more than 0 (found {self.degrees_of_freedom})")

    @classmethod
    def independent(
        cls, source: Source, values: object, sigma: object, degrees_of_freedom: float = math.inf
    ) -> Block:
        """Make a block of independent values with these standard uncertainties (one number, or (n,))."""
        array = np.asarray(values, dtype=np.float64).ravel()
        spread = np.broadcast_to(np.asarray(sigma, dtype=np.float64), array.shape)
        return cls(source, array, np.diag(spread), degrees_of_freedom)

    @classmethod
    def of_covariance(
        cls, source: Source, values: Array, covariance: Array, degrees_of_freedom: float = math.inf
    ) -> Block:
        """Make a block from a covariance (n, n), which may be singular; directions of no size are dropped."""
        spread, vectors = np.linalg.eigh(covariance)
        kept = spread > spread.max(initial=0.0) * len(spread) * np.finfo(np.float64).eps
        return cls(source, values, vectors[:, kept] * np.sqrt(spread[kept]), degrees_of_freedom)

    @property
    def normal(self) -> bool:
        """Whether its draws are known to be normal ones."""
        if self.draw is not None:
            return self.draw_is_normal
        return math.isinf(self.degrees_of_freedom)

    def draws(self, rng: np.random.Generator, count: int) -> Array:
        """Draws (count, n): its own, normal, or Student's t with its degrees of freedom (JCGM 101, 6.4.9)."""
        if self.draw is not None:
            return self.draw(rng, count)
        if self.degrees_of_freedom <= _LEAST_DEGREES:
            raise ValueError(
                "two degrees of freedom or fewer have no spread to draw from: give the block its own draw"
            )
        assert self.factor is not None
        scatter = rng.standard_normal((count, self.factor.shape[1]))
        if math.isfinite(self.degrees_of_freedom):
            square = rng.chisquare(self.degrees_of_freedom, (count, 1)) / self.degrees_of_freedom
            scatter /= np.sqrt(square)
        return np.asarray(self.values + scatter @ self.factor.T)

    def variance_along(self, rows: Array) -> Array:
        """Variances (q,) of linear sums of the values with rows (q, n)."""
        if self.variance is not None:
            return np.asarray(self.variance(rows))
        if self.factor is None:
            return np.full(len(rows), np.nan)
        return np.asarray(np.sum((rows @ self.factor) ** 2, axis=1))


@dataclass(frozen=True, slots=True)
class Wanted:
    """A quantity to be given: its name and unit, where it is taken, and the least it can be.

    Attributes
    ----------
    name, unit : str
    touch : Touch, optional
        For the calibration's part; without it there is none.
    least : float
        Such as 0 for a length; intervals stop there.
    """

    name: str
    unit: str
    touch: Touch | None = None
    least: float = -math.inf
