"""From what inputs scatter to what a size's uncertainty is, by two routes that must agree.

The linear route (GUM, 5.1 and G.4) takes the size's derivatives along the inputs' covariance, with Student's
t for few degrees of freedom. The other draws the inputs ten thousand times or more and works the size out in
each draw (JCGM 101). Where both ends of their 95 % intervals agree within JCGM 101's tolerance (clause 8:
half a unit of the last of `DIGITS` digits of u) the linear result is reported, else the drawn one.

Examples
--------
The hypotenuse of two sides:

>>> sides = Block.independent("frame noise", [3.0, 4.0], 0.01)
>>> def hypotenuse(inputs):
...     return np.hypot(inputs[0][:, :1], inputs[0][:, 1:])
>>> rng = np.random.default_rng(1)
>>> found, = propagate(hypotenuse, [sides], [Wanted("length", "mm")], rng=rng, many=True)
>>> found.value, round(found.standard_uncertainty, 4)
(5.0, 0.01)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from fringewise.core.checks import Array
from fringewise.core.measured import Measured, Source
from fringewise.findings.blocks import Block, Wanted
from fringewise.findings.combine import Shared, measured_from, shared_parts
from fringewise.findings.draws import Drawn, agree, summarised
from fringewise.surface.surface import Surface

Sizes = Callable[[tuple[Array, ...]], Array]
"""Sizes (q,) from each block's values (n,); with `many`, sizes (count, q) from values (count, n)."""

Luck = Literal["kept", "taken off", "centred"]

DRAWS: Final = 10_000
DIGITS: Final = 2
_PART_DRAWS: Final = 1_000
_DOUBT: Final[dict[Luck, float | None]] = {"taken off": 0.5, "centred": None}
_MOST_FAILED: Final = 0.1
_NUMBERS_AT_ONCE: Final = 4_000_000


def propagate(
    sizes: Sizes,
    blocks: Sequence[Block],
    wanted: Sequence[Wanted],
    *,
    rng: np.random.Generator,
    surface: Surface | None = None,
    gradient: Sequence[Array | None] | None = None,
    more: Mapping[Source, Array] | None = None,
    many: bool = False,
    draws: int = DRAWS,
    luck: Luck | Sequence[Luck] = "kept",
    step: float = 1.0,
) -> tuple[Measured, ...]:
    """Give each quantity with its budget, by whichever of both routes holds.

    Parameters
    ----------
    sizes : callable
        The sizes from the blocks' values; NaN for one that can't be had there.
    blocks : sequence of Block
        Independent of one another.
    wanted : sequence of Wanted
        The q sizes' names, units and touches.
    rng : numpy Generator
    surface : Surface, optional
        Whose head the calibration's part comes from; the part is a normal term in both routes.
    gradient : sequence of ((q, n) array or None), optional
        Derivatives by each block's values; central differences along the factor's columns where None.
    more : mapping of Source to (q,) array, optional
        Variances that other means have told; normal terms in both routes, as the calibration's is.
    many : bool
        Whether `sizes` takes many draws at once.
    draws : int
        0 for the linear route alone, as for a quick value.
    luck : {"kept", "taken off", "centred"}, or one for each size
        What inputs' noise adds to a size on average (a line through noise is longer than the true one).
        "kept" gives the mean of the draws, as JCGM 101 does for what is known of the inputs. "taken off" is
        for sizes of noisy data, which have had that luck once already: it is subtracted, half of it stays as
        uncertainty, and the interval is turned round the size as found. Not for sizes at the end of their
        range, such as an offset that may be 0. "centred" turns the interval too but leaves the size as it was
        found, for sizes whose luck is told by other means.
    step : float
        Of the central differences, in standard uncertainties (GUM 5.1.3, note 2).

    Returns
    -------
    tuple of Measured
        In the order wanted; a size that has no number in more than a tenth of the draws is left out.
    """
    run = _Run(sizes, tuple(blocks), many)
    found = run.at([block.values[None] for block in blocks])[0]
    shared = [_shared(surface, one) for one in wanted]
    other: dict[Source, Array] = {"calibration": np.array([part.calibration for part in shared])}
    for source, variances in (more or {}).items():
        other[source] = other.get(source, 0.0) + np.asarray(variances, dtype=np.float64)
    linear = _linear_variances(run, gradient or [None] * len(blocks), step)
    routes = [
        _Linear.of(found[n], linear.variances[:, n], _at(other, n), run.blocks) for n in range(len(wanted))
    ]
    if not draws:
        return tuple(
            _linear_result(*each, surface)
            for each in zip(wanted, routes, shared, strict=True)
            if each[1].known
        )
    lucks = [luck] * len(wanted) if isinstance(luck, str) else luck
    drawn = _drawn(run, found, linear, other, rng, draws, lucks)
    made = []
    for n, one in enumerate(wanted):
        summary = drawn[n]
        if summary is None:
            continue
        result = _linear_result(one, routes[n], shared[n], surface) if routes[n].known else None
        if result is None or not agree(result.interval_95, result.standard_uncertainty, summary, DIGITS):
            result = _drawn_result(one, summary, run.parts(rng, other)[n], shared[n], surface)
        made.append(result)
    return tuple(made)


@dataclass(frozen=True, slots=True)
class _Run:
    """Sizes and blocks, called alike whether many draws go at once or one by one."""

    sizes: Sizes
    blocks: tuple[Block, ...]
    many: bool
    kept_parts: list[dict[Source, float]] = field(default_factory=list)

    def at(self, values: Sequence[Array]) -> Array:
        """Sizes (count, q) at values (count, n) of each block."""
        if not self.many:
            return np.array([self.sizes(one) for one in zip(*values, strict=True)], dtype=np.float64)
        count = len(values[0])
        chunk = max(1, _NUMBERS_AT_ONCE // max(1, sum(one.shape[1] for one in values)))
        parts = [self.sizes(tuple(v[k : k + chunk] for v in values)) for k in range(0, count, chunk)]
        return np.asarray(np.vstack(parts), dtype=np.float64)

    def draws(self, rng: np.random.Generator, count: int, source: Source | None = None) -> list[Array]:
        """Draws of all blocks, or of one source's blocks while the others stay."""
        return [
            block.draws(rng, count)
            if source is None or block.source == source
            else np.broadcast_to(block.values, (count, len(block.values)))
            for block in self.blocks
        ]

    def parts(self, rng: np.random.Generator, other: Mapping[Source, Array]) -> list[dict[Source, float]]:
        """Variance of each size by source, each source drawn alone."""
        if not self.kept_parts:
            by_source = {source: np.array(variances) for source, variances in other.items()}
            for source in dict.fromkeys(block.source for block in self.blocks):
                alone = _spread(self.at(self.draws(rng, _PART_DRAWS, source)))
                by_source[source] = by_source.get(source, 0.0) + alone
            self.kept_parts.extend(_at(by_source, n) for n in range(len(by_source["calibration"])))
        return self.kept_parts


def _at(by_source: Mapping[Source, Array], number: int) -> dict[Source, float]:
    return {source: float(variances[number]) for source, variances in by_source.items()}


@dataclass(frozen=True, slots=True)
class _Slopes:
    """Variances (blocks, q) of the linear route, and each block's derivatives (q, n) where they are known."""

    variances: Array
    by_value: tuple[Array | None, ...]

    def at(self, blocks: tuple[Block, ...], values: Sequence[Array]) -> Array | None:
        """What the linear route makes of draws: differences (count, q); None where it can't say."""
        total: Array | float = 0.0
        for block, slope, drawn in zip(blocks, self.by_value, values, strict=True):
            if slope is None or not block.normal:
                return None
            along = slope.T.astype(drawn.dtype)
            total = total + drawn @ along - block.values.astype(drawn.dtype) @ along
        return np.asarray(total)


def _linear_variances(run: _Run, gradient: Sequence[Array | None], step: float) -> _Slopes:
    variances: list[Array] = []
    slopes: list[Array | None] = []
    for n, (block, given) in enumerate(zip(run.blocks, gradient, strict=True)):
        if given is not None:
            variances.append(block.variance_along(given))
            slopes.append(given)
            continue
        if block.factor is None:
            variances.append(np.full_like(run.at([b.values[None] for b in run.blocks])[0], np.nan))
            slopes.append(None)
            continue
        along = _differences(run, n, step)
        variances.append(np.sum(along**2, axis=0))
        slopes.append((np.linalg.pinv(block.factor).T @ along).T)
    return _Slopes(np.array(variances), tuple(slopes))


def _differences(run: _Run, number: int, step: float) -> Array:
    """Change (m, q) of the sizes for one standard uncertainty along each column of a block's factor."""
    block = run.blocks[number]
    assert block.factor is not None
    moved = np.vstack([block.values + step * block.factor.T, block.values - step * block.factor.T])
    values = [np.broadcast_to(b.values, (len(moved), len(b.values))) for b in run.blocks]
    values[number] = moved
    up, down = np.split(run.at(values), 2)
    return np.asarray((up - down) / (2 * step))


@dataclass(frozen=True, slots=True)
class _Linear:
    """One size by the linear route."""

    value: float
    parts: dict[Source, float]
    degrees_of_freedom: float

    @classmethod
    def of(
        cls, value: float, variances: Array, other: Mapping[Source, float], blocks: Sequence[Block]
    ) -> _Linear:
        """Sum the variances by source; effective degrees after Welch and Satterthwaite (GUM G.4)."""
        parts = dict(other)
        below = 0.0
        for block, variance in zip(blocks, variances, strict=True):
            parts[block.source] = parts.get(block.source, 0.0) + float(variance)
            below += float(variance) ** 2 / block.degrees_of_freedom
        square = math.fsum(parts.values()) ** 2
        return cls(float(value), parts, square / below if below > 0 else math.inf)

    @property
    def known(self) -> bool:
        """Whether the value and all its parts are numbers."""
        return math.isfinite(self.value) and all(math.isfinite(part) for part in self.parts.values())


def _drawn(
    run: _Run,
    found: Array,
    linear: _Slopes,
    other: Mapping[Source, Array],
    rng: np.random.Generator,
    count: int,
    lucks: Sequence[Luck],
) -> list[Drawn | None]:
    """Each size over draws of everything; None where too few draws have it."""
    values = run.draws(rng, count)
    shift = rng.standard_normal((count, len(found))) * np.sqrt(sum(other.values()))
    sizes = run.at(values) + shift
    straight = linear.at(run.blocks, values)
    made: list[Drawn | None] = []
    for n, value in enumerate(found):
        good = np.isfinite(sizes[:, n])
        if not math.isfinite(value) or good.mean() < 1 - _MOST_FAILED:
            made.append(None)
            continue
        beside = None if straight is None else value + straight[good, n] + shift[good, n]
        if beside is not None and not np.isfinite(beside).all():
            beside = None
        one = summarised(sizes[good, n], float(value), beside)
        made.append(one if lucks[n] == "kept" else one.turned(float(value), _DOUBT[lucks[n]]))
    return made


def _spread(sizes: Array) -> Array:
    """Variance (q,) over draws (count, q), those without a number left out."""
    spread = np.zeros(sizes.shape[1])
    for n in range(sizes.shape[1]):
        good = sizes[np.isfinite(sizes[:, n]), n]
        spread[n] = np.var(good, ddof=1) if len(good) > 1 else 0.0
    return spread


def _linear_result(one: Wanted, linear: _Linear, shared: Shared, surface: Surface | None) -> Measured:
    made = measured_from(one.name, one.unit, max(linear.value, one.least), linear.parts, shared, surface)
    made = replace(made, degrees_of_freedom=linear.degrees_of_freedom)
    low, high = made.interval_95
    return made if low >= one.least else replace(made, interval=(one.least, max(high, one.least)))


def _drawn_result(
    one: Wanted, drawn: Drawn, parts: Mapping[Source, float], shared: Shared, surface: Surface | None
) -> Measured:
    """The drawn result; its budget is the sources' own, scaled so that the squares add up."""
    scaled = drawn.scaled(parts)
    made = measured_from(one.name, one.unit, max(drawn.value, one.least), scaled, shared, surface)
    low, high = (max(end, one.least) for end in drawn.interval)
    quantiles = tuple((p, max(value, one.least)) for p, value in drawn.quantiles)
    return replace(made, interval=(low, high), quantiles=quantiles)


def _shared(surface: Surface | None, one: Wanted) -> Shared:
    return Shared() if surface is None or one.touch is None else shared_parts(surface, one.touch)
