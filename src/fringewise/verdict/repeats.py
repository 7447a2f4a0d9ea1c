"""Several measurements of one damage: put together when they agree, the worst one when they don't."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

from fringewise.verdict.sizes import Size, one_sided_factor, tolerance

_AGREE: Final = 1.0
"""Two measurements agree when their difference is at most the root of the sum of their U's squares."""


@dataclass(frozen=True, slots=True)
class Joined:
    """What several measurements of one size come to.

    Attributes
    ----------
    candidates : tuple of Size
        One size where they agree; each of them where they don't: the worst outcome counts.
    words : str
        How they were joined; empty where there was one only.
    """

    candidates: tuple[Size, ...]
    words: str = ""


def join(sizes: Sequence[Size]) -> Joined:
    """Join measurements of one size.

    Agreeing ones are averaged, each by the inverse square of what it does not share with the others; what
    they share (calibration, restored metal, definition) is not averaged out. A size that is "at least" what
    was seen counts only where it contradicts those that saw the whole.

    Examples
    --------
    >>> both = join([Size(0.30, 0.01), Size(0.31, 0.01)])
    >>> round(both.candidates[0].value, 3), round(both.candidates[0].standard_uncertainty, 4)
    (0.305, 0.0071)
    >>> len(join([Size(0.30, 0.01), Size(0.40, 0.01)]).candidates)
    2
    """
    if len(sizes) < 2:
        return Joined(tuple(sizes))
    whole = [one for one in sizes if one.bound == "both"]
    partial = [one for one in sizes if one.bound != "both"]
    if not whole:
        return Joined(tuple(sizes), f"{len(sizes)} measurements, none of the whole: each of them counts")
    against = [one for one in partial if _contradicts(one, whole)]
    agree = all(_agree(one, other) for one, other in combinations(whole, 2))
    if against or not agree:
        told = f"{len(sizes)} measurements do not agree within their uncertainty: the worst one counts"
        return Joined((*whole, *against), told)
    if len(whole) == 1:
        return Joined((whole[0],), f"{len(sizes)} measurements, one of them of the whole damage")
    return Joined((_mean(whole),), f"{len(whole)} measurements agree and are combined")


def _agree(one: Size, other: Size) -> bool:
    allowed = _AGREE * math.hypot(one.expanded_uncertainty, other.expanded_uncertainty)
    return abs(one.value - other.value) <= allowed + tolerance(one.value)


def _contradicts(partial: Size, whole: Sequence[Size]) -> bool:
    """Say whether a part is seen to be larger (or smaller) than the whole was measured."""
    sign = 1.0 if partial.bound == "at_least" else -1.0
    return any(sign * (partial.value - one.value) > 0 and not _agree(partial, one) for one in whole)


def _mean(sizes: Sequence[Size]) -> Size:
    even = [_even(one) for one in sizes]
    own = [math.sqrt(max(one.standard_uncertainty**2 - one.shared_uncertainty**2, 0.0)) for one in even]
    exact = min(own) == 0  # no scatter of its own: it outweighs all that have some
    weights = [float(one == 0) if exact else 1 / one**2 for one in own]
    total = math.fsum(weights)
    value = math.fsum(w * one.value for w, one in zip(weights, even, strict=True)) / total
    shared = max(one.shared_uncertainty for one in even)
    independent = math.sqrt(math.fsum((w * one) ** 2 for w, one in zip(weights, own, strict=True))) / total
    return Size(
        value,
        math.hypot(independent, shared),
        min(one.degrees_of_freedom for one in even),
        not_included=tuple(dict.fromkeys(part for one in even for part in one.not_included)),
        shared_uncertainty=shared,
    )


def _even(size: Size) -> Size:
    """Give a lopsided size as an even one that is as wide as its wider side."""
    if not size.quantiles:
        return size
    factor = one_sided_factor(0.95)
    sides = [size.quantile(0.95) - size.value, size.value - size.quantile(0.05)]
    wide = max(size.standard_uncertainty, *(side / factor for side in sides))
    return replace(size, standard_uncertainty=wide, quantiles=())
