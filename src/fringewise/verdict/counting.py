"""How one count is made: spacing, sums and neighbours, each kept, exceeded or not known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from fringewise.verdict.book import Ladder, Step
from fringewise.verdict.cases import Surroundings
from fringewise.verdict.deciding import DamageVerdict
from fringewise.verdict.decision import ladder_bounds
from fringewise.verdict.documents import CountDocument
from fringewise.verdict.judge import Judge
from fringewise.verdict.quantities import QUANTITIES
from fringewise.verdict.repeats import join
from fringewise.verdict.sizes import Size, one_sided_factor
from fringewise.verdict.stages import StageSeen

State = Literal["kept", "exceeded", "not known"]

_STATES: Final[tuple[State, ...]] = ("kept", "not known", "exceeded")


@dataclass(frozen=True, slots=True)
class Counting:
    """What a count is made from: the entry, the damages that it counts, and what is known round them."""

    made: Judge
    count: CountDocument
    damages: Sequence[DamageVerdict]
    near: Surroundings
    stage: StageSeen | None = None
    where: tuple[str, ...] = ()


def surely_counted(count: CountDocument, damage: DamageVerdict) -> bool:
    """Say whether a damage surely lies in a count's zone, on a blade that is known."""
    return damage.placement.surely_in(count.zone) and bool(damage.case.item)


def spacing_state(made: Counting, least_mm: float) -> tuple[State, str]:
    """Hold each measured spacing against the least; one that was not measured is not known."""
    ladder = Ladder("less", (Step("spacing_min", least_mm, "serviceable"),))
    cases = [one.case for one in made.damages]
    states: list[State] = ["kept"]
    missing = 0
    for n, one in enumerate(cases):
        for other in cases[n + 1 :]:
            spacing = made.near.between(one, other)
            missing += spacing is None
            states.append("not known" if spacing is None else _kept(made, spacing, ladder))
    told = f"; {missing} spacings were not measured" if missing else ""
    return _worst(states), f"{least_mm:g} mm apart at least{told}"


def _kept(made: Counting, size: Size, ladder: Ladder) -> State:
    decided = ladder_bounds(size, ladder, made.made.rule).decided
    return "not known" if decided is None else "kept" if decided == "serviceable" else "exceeded"


def sum_state(made: Counting, quantity: str, most: float, unseen: int | None) -> tuple[State, str]:
    """Add up a quantity, its uncertainties as if they all erred alike; a wanting size is not known."""
    rules = [QUANTITIES[one.case.kind].get(quantity) for one in made.damages if one.case.kind in QUANTITIES]
    known = next((one for one in rules if one is not None), None)
    sizes = [_one_size(one, quantity) for one in made.damages]
    missing = sum(one is None for one in sizes)
    if known is None:
        return "not known", f"no {quantity} was measured"
    limit = known.in_millimetres(most, length_unit(made.count))
    total = _added([one for one in sizes if one is not None])
    state = _kept(made, total, Ladder("more", (Step("sum_max", limit, "serviceable"),)))
    if state == "kept" and (
        missing or unseen != 0 or not all(surely_counted(made.count, one) for one in made.damages)
    ):
        state = "not known"
    if state == "exceeded" and not all(surely_counted(made.count, one) for one in made.damages):
        state = "not known"
    shown = f"{total.value:.3g} ± {total.expanded_uncertainty:.2g} {known.unit()}"
    told = f"sum of {quantity} {shown}, {limit:g} allowed"
    return state, told + (f"; {missing} were not measured" if missing else "") + unseen_words(
        unseen, made.stage
    )


def _one_size(damage: DamageVerdict, quantity: str) -> Size | None:
    """Give the size of one damage: the joined one, or the greatest where its measurements don't agree."""
    sizes = [one.sizes[quantity] for one in damage.cases if quantity in one.sizes]
    return max(join(sizes).candidates, key=lambda one: one.value) if sizes else None


def _added(sizes: Sequence[Size]) -> Size:
    left_out = tuple(dict.fromkeys(part for one in sizes for part in one.not_included))
    whole = all(one.bound == "both" for one in sizes)
    return Size(
        sum(one.value for one in sizes),
        sum(max(one.standard_uncertainty, _wider(one)) for one in sizes),
        min((one.degrees_of_freedom for one in sizes), default=float("inf")),
        bound="both" if whole else "at_least",
        not_included=left_out,
    )


def _wider(size: Size) -> float:
    return (size.quantile(0.95) - size.value) / one_sided_factor(0.95) if size.quantiles else 0.0


def neighbours_state(items: Iterable[str], stage: StageSeen | None) -> tuple[State, str]:
    """Look for damage on neighbouring blades; a neighbour that was not seen is not known."""
    allowed = "none allowed on neighbouring blades"
    if stage is None or not all(one.isdigit() for one in items):
        return "not known", f"{allowed}; which blades are neighbours is not known"
    numbers = {int(one) for one in items}
    beside = {n: {(n % stage.items) + 1, (n - 2) % stage.items + 1} - {n} for n in numbers}
    both = sorted(n for n, others in beside.items() if others & numbers)
    if both:
        return "exceeded", f"{allowed}; blades {', '.join(map(str, both))} have neighbours with it"
    unseen = sorted({m for others in beside.values() for m in others if str(m) not in stage.seen})
    if unseen:
        return "not known", f"{allowed}; {', '.join(map(str, unseen))} beside damaged ones not seen"
    return "kept", allowed


def _worst(states: Sequence[State]) -> State:
    return max(states, key=_STATES.index)


def length_unit(count: CountDocument) -> str:
    """Give the unit of a count's lengths."""
    return count.unit or "mm"


def unseen_words(unseen: int | None, stage: StageSeen | None) -> str:
    """Say what of a stage was not seen; empty where all of it was."""
    if unseen is None:
        return "; how many blades the stage has is not known (no work card)"
    if unseen == 0 or stage is None:
        return ""
    return f"; {unseen} of {stage.items} {stage.item_word}s not seen"
