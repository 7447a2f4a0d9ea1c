"""How many damages are allowed together: on a blade, on a stage, side by side, and their sums.

What is not known (an unseen blade, a spacing that was not measured, a size that is wanting) leaves the count
not known, and then it ranks as exceeded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from fringewise.verdict.book import Ladder as SizeLadder
from fringewise.verdict.book import Step, is_any, plain_words, same_words
from fringewise.verdict.cases import Surroundings
from fringewise.verdict.deciding import UNKNOWN, DamageVerdict, Judge
from fringewise.verdict.decision import Bounds, ladder_bounds
from fringewise.verdict.documents import CountDocument, DecidedOutcome
from fringewise.verdict.quantities import QUANTITIES, kind_words, quantity_rule
from fringewise.verdict.repeats import join
from fringewise.verdict.sizes import Size

State = Literal["kept", "exceeded", "not known"]
Reach = Literal["blade", "stage"]

_STATES: Final[tuple[State, ...]] = ("kept", "not known", "exceeded")


@dataclass(frozen=True, slots=True)
class StageSeen:
    """A stage as the work card has it, and what of it was seen.

    Attributes
    ----------
    name, part : str
    items : int
        How many blades, vanes or segments it has.
    item_word : str
        What one of them is called.
    seen : frozenset of str
        The items that were seen, in plain words.
    """

    name: str
    part: str
    items: int
    item_word: str = "blade"
    seen: frozenset[str] = frozenset()

    @property
    def unseen(self) -> int:
        """How many items were not seen."""
        return max(self.items - len(self.seen), 0)


@dataclass(frozen=True, slots=True)
class CountVerdict:
    """What one count of the book comes to on one blade or one stage.

    Attributes
    ----------
    count : str
        The entry's id.
    reach : {"blade", "stage"}
    where : tuple of str
        Stage, part and, for a blade, item, in plain words.
    state : {"kept", "exceeded", "not known"}
    exceeded : DecidedOutcome
        The outcome where it is exceeded.
    words : str
    members : frozenset of str
        The findings that it counts.
    source : str
    """

    count: str
    reach: Reach
    where: tuple[str, ...]
    state: State
    exceeded: DecidedOutcome
    words: str
    members: frozenset[str] = frozenset()
    source: str = ""

    @property
    def bounds(self) -> Bounds:
        """What it allows still."""
        if self.state == "kept":
            return Bounds("serviceable", "serviceable")
        return Bounds(self.exceeded if self.state == "exceeded" else "serviceable", self.exceeded)


@dataclass(frozen=True, slots=True)
class _Counting:
    """What a count is made from: the entry, the damages that it counts, and what is known round them."""

    made: Judge
    count: CountDocument
    damages: Sequence[DamageVerdict]
    near: Surroundings
    stage: StageSeen | None = None
    where: tuple[str, ...] = field(default=())


def count_together(
    made: Judge,
    damages: Sequence[DamageVerdict],
    near: Surroundings | None = None,
    stages: Sequence[StageSeen] = (),
) -> tuple[CountVerdict, ...]:
    """Hold all counts of a book against the damages, blade by blade and stage by stage.

    Parameters
    ----------
    made : Judge
    damages : sequence of DamageVerdict
        All of one engine; finished blends, also earlier ones, among them.
    near : Surroundings, optional
        Measured spacings.
    stages : sequence of StageSeen
        From the work card; a stage without one has unknown blades.
    """
    found: list[CountVerdict] = []
    for count in (*made.book.counts, *_blend_counts(made)):
        own = [one for one in _once(damages) if _counts(made, count, one)]
        for where in dict.fromkeys(one.case.blade for one in own):
            here = [one for one in own if _may_be_on(one, where)]
            found += _of_blade(_Counting(made, count, here, near or Surroundings(), None, where))
        for place in dict.fromkeys(one.case.blade[:2] for one in own):
            there = [one for one in own if one.case.blade[:2] == place]
            stage = stage_of(stages, place)
            found += _of_stage(_Counting(made, count, there, near or Surroundings(), stage, place))
    return tuple(found)


def _may_be_on(damage: DamageVerdict, where: tuple[str, str, str]) -> bool:
    """Say whether a damage is on a blade, or may be, because its own blade is not stated."""
    blade = damage.case.blade
    return blade == where or (blade[:2] == where[:2] and not blade[2])


def stage_of(stages: Sequence[StageSeen], place: tuple[str, str]) -> StageSeen | None:
    """Find a stage of the card by its name or, where a finding names none, by its part if only one has it."""
    named = [one for one in stages if plain_words(one.name) == place[0] and same_words(one.part, place[1])]
    if named or place[0]:
        return named[0] if named else None
    of_part = [one for one in stages if same_words(one.part, place[1])]
    return of_part[0] if len(of_part) == 1 else None


def _blend_counts(made: Judge) -> Iterator[CountDocument]:
    """Give the counts of finished blends that the limits of a blend ask for."""
    for rule in made.book.rules:
        blend = rule.blend
        if blend is not None and (blend.per_blade_max is not None or blend.per_stage_max is not None):
            yield CountDocument(
                id=f"{rule.id}, blends",
                part=rule.part,
                zone=rule.zone,
                kind="blend",
                per_blade_max=blend.per_blade_max,
                per_stage_max=blend.per_stage_max,
                source=rule.source,
            )


def _once(damages: Sequence[DamageVerdict]) -> list[DamageVerdict]:
    """Leave out a damage that has become a blend: the blend is counted."""
    blended = {
        (one.case.blade, one.case.damage) for one in damages if one.case.kind == "blend" and one.case.damage
    }
    return [
        one for one in damages if one.case.kind == "blend" or (one.case.blade, one.case.damage) not in blended
    ]


def _counts(made: Judge, count: CountDocument, damage: DamageVerdict) -> bool:
    """Say whether a count counts a damage: by part, zone and kind; a blend counts as what was blended."""
    case = damage.case
    if not same_words(count.part, case.part) or not damage.placement.may_lie_in(count.zone):
        return False
    if count.kind in ("any", case.kind):
        return True
    blendable = any(
        one.kind == count.kind and one.blend_up_to is not None and same_words(one.part, count.part)
        for one in made.book.rules
    )
    return case.kind == "blend" and blendable


def _of_blade(made: _Counting) -> Iterator[CountVerdict]:
    count = made.count
    on = f"on {_item_words(made)}"
    if count.per_blade_max is not None:
        yield _number(made, "blade", count.per_blade_max, len(made.damages), 0, on)
    if count.spacing_min is not None and len(made.damages) > 1:
        state, words = _spacing(
            made, quantity_rule("dent", "depth").in_millimetres(count.spacing_min, _unit(count))
        )
        yield _verdict(made, "blade", state, f"{words} {on}")
    if count.sum_max is not None and count.sum_max.per_blade is not None:
        state, words = _sum(made, count.sum_max.quantity, count.sum_max.per_blade, unseen=0)
        yield _verdict(made, "blade", state, f"{words} {on}")


def _of_stage(made: _Counting) -> Iterator[CountVerdict]:
    count, stage = made.count, made.stage
    unseen = stage.unseen if stage is not None else None
    items = {one.case.blade[2] for one in made.damages}
    on = f"on stage {stage.name}" if stage is not None else f"of the part {made.where[1]}"
    if count.per_stage_max is not None:
        yield _number(made, "stage", count.per_stage_max, len(made.damages), unseen, on)
    if count.damaged_blades_per_stage_max is not None:
        yield _number(
            made, "stage", count.damaged_blades_per_stage_max, len(items), unseen, f"as damaged blades {on}"
        )
    if count.adjacent_allowed is False:
        state, words = _neighbours(items, stage)
        yield _verdict(made, "stage", state, f"{words} {on}")
    if count.sum_max is not None and count.sum_max.per_stage is not None:
        state, words = _sum(made, count.sum_max.quantity, count.sum_max.per_stage, unseen=unseen)
        yield _verdict(made, "stage", state, f"{words} {on}")


def _number(
    made: _Counting, reach: Reach, most: int, possible: int, unseen: int | None, on: str
) -> CountVerdict:
    """Hold a number against its limit: those surely in the zone, those possibly, and the unseen."""
    if "damaged blades" in on:
        sure = len({one.case.blade[2] for one in made.damages if _sure(made.count, one)})
    else:
        sure = sum(_sure(made.count, one) for one in made.damages)
    state: State = "exceeded" if sure > most else "not known" if possible > most or unseen != 0 else "kept"
    told = f"{possible} of {kind_words(made.count.kind)} {on}, {most} allowed"
    return _verdict(made, reach, state, told + _unseen_words(unseen, made.stage))


def _sure(count: CountDocument, damage: DamageVerdict) -> bool:
    return damage.placement.surely_in(count.zone) and bool(damage.case.item)


def _spacing(made: _Counting, least_mm: float) -> tuple[State, str]:
    """Hold each measured spacing against the least; one that was not measured is not known."""
    ladder = SizeLadder("less", (Step("spacing_min", least_mm, "serviceable"),))
    names = [one.case.damage or one.case.identity for one in made.damages]
    states: list[State] = ["kept"]
    missing = 0
    for n, one in enumerate(names):
        for other in names[n + 1 :]:
            spacing = made.near.spacings.get(frozenset((one, other)))
            missing += spacing is None
            states.append("not known" if spacing is None else _kept(made, spacing, ladder))
    told = f"; {missing} spacings were not measured" if missing else ""
    return _worst(states), f"{least_mm:g} mm apart at least{told}"


def _kept(made: _Counting, size: Size, ladder: SizeLadder) -> State:
    decided = ladder_bounds(size, ladder, made.made.rule).decided
    return "not known" if decided is None else "kept" if decided == "serviceable" else "exceeded"


def _sum(made: _Counting, quantity: str, most: float, unseen: int | None) -> tuple[State, str]:
    """Add up a quantity, its uncertainties as if they all erred alike; a wanting size is not known."""
    rules = [QUANTITIES[one.case.kind].get(quantity) for one in made.damages if one.case.kind in QUANTITIES]
    known = next((one for one in rules if one is not None), None)
    sizes = [_one_size(one, quantity) for one in made.damages]
    missing = sum(one is None for one in sizes)
    if known is None:
        return "not known", f"no {quantity} was measured"
    limit = known.in_millimetres(most, _unit(made.count))
    total = _added([one for one in sizes if one is not None])
    state = _kept(made, total, SizeLadder("more", (Step("sum_max", limit, "serviceable"),)))
    if state == "kept" and (
        missing or unseen != 0 or not all(_sure(made.count, one) for one in made.damages)
    ):
        state = "not known"
    if state == "exceeded" and not all(_sure(made.count, one) for one in made.damages):
        state = "not known"
    shown = f"{total.value:.3g} ± {total.expanded_uncertainty:.2g} {known.unit()}"
    told = f"sum of {quantity} {shown}, {limit:g} allowed"
    return state, told + (f"; {missing} were not measured" if missing else "") + _unseen_words(
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
    return (size.quantile(0.95) - size.value) / 1.6449 if size.quantiles else 0.0


def _neighbours(items: Iterable[str], stage: StageSeen | None) -> tuple[State, str]:
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


def _unit(count: CountDocument) -> str:
    return count.unit or "mm"


def _unseen_words(unseen: int | None, stage: StageSeen | None) -> str:
    if unseen is None:
        return "; how many blades the stage has is not known (no work card)"
    if unseen == 0 or stage is None:
        return ""
    return f"; {unseen} of {stage.items} {stage.item_word}s not seen"


def _item_words(made: _Counting) -> str:
    return f"item {made.where[2]}" if made.where[2] else "an item that is not stated"


def _verdict(made: _Counting, reach: Reach, state: State, words: str) -> CountVerdict:
    count = made.count
    members = frozenset(one.identity for damage in made.damages for one in damage.cases)
    scope = "" if is_any(count.zone) else f" in the zone {count.zone}"
    return CountVerdict(
        count.id,
        reach,
        made.where,
        state,
        count.exceeded or UNKNOWN.worst,
        words + scope,
        members,
        count.source or "",
    )
