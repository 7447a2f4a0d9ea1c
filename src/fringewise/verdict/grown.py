"""Growth of a damage since earlier inspections, brought to bear on its interval."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from fringewise.verdict.book import Ladder
from fringewise.verdict.cases import Case
from fringewise.verdict.deciding import DamageVerdict
from fringewise.verdict.decision import within_side
from fringewise.verdict.growth import Sighting, TimeUnit, shortened
from fringewise.verdict.judge import Judge
from fringewise.verdict.repeats import join
from fringewise.verdict.sizes import Size

Clock = Mapping[TimeUnit, float]
"""Hours and cycles of the engine at an inspection, as far as they are known."""


@dataclass(frozen=True, slots=True)
class EarlierSize:
    """A finding of an earlier inspection, and the engine's hours and cycles then."""

    clock: Clock
    case: Case


def with_growth(
    made: Judge, damage: DamageVerdict, earlier: Sequence[EarlierSize], now: Clock
) -> DamageVerdict:
    """Let the growth of the same damage shorten its interval; it never lengthens it.

    Parameters
    ----------
    made : Judge
    damage : DamageVerdict
    earlier : sequence of EarlierSize
        Of earlier inspections; those with another damage's name are passed over.
    now : mapping of {"hours", "cycles"} to float
        Of the engine at this inspection.
    """
    same = [one for one in earlier if damage.case.damage and one.case.subject == damage.case.subject]
    if damage.bounds.worst != "inspect_again" or damage.interval is None or not same:
        return damage
    for quantity, ladder in _steps(made, damage):
        limit = next(one.limit for one in ladder.steps if one.within == "inspect_again")
        growth = _growth(damage, same, now, quantity, ladder)
        grown = shortened(damage.interval, growth, limit if ladder.worse == "more" else -limit)
        if grown is None or not grown.words:
            continue
        if grown.interval is None:
            return replace(damage, interval=None, provisional=(*damage.provisional, grown.words))
        damage = replace(damage, interval=grown.interval, said=(*damage.said, grown.words))
    return damage


def _steps(made: Judge, damage: DamageVerdict) -> Iterator[tuple[str, Ladder]]:
    """Give the ladders with a step to inspect again at, by the quantity that they are about."""
    for rule in damage.rules:
        for ladder in made.ladders[rule.id]:
            if any(step.within == "inspect_again" for step in ladder.steps):
                yield rule.quantity, ladder


def _growth(
    damage: DamageVerdict, earlier: Sequence[EarlierSize], now: Clock, quantity: str, ladder: Ladder
) -> dict[TimeUnit, list[Sighting]]:
    """Collect the sizes over hours and over cycles, turned so that more is worse."""
    current = _worst([one.sizes[quantity] for one in damage.cases if quantity in one.sizes], ladder)
    growth: dict[TimeUnit, list[Sighting]] = {}
    if current is None:
        return growth
    for unit, at in now.items():
        before = [
            Sighting(one.clock[unit], within_side(one.case.sizes[quantity], ladder.worse))
            for one in earlier
            if unit in one.clock and quantity in one.case.sizes and one.clock[unit] < at
        ]
        if before:
            growth[unit] = [*before, Sighting(at, current)]
    return growth


def _worst(sizes: Sequence[Size], ladder: Ladder) -> Size | None:
    if not sizes:
        return None
    turned = [within_side(one, ladder.worse) for one in join(sizes).candidates]
    return max(turned, key=lambda one: one.value)
