"""How many damages are allowed together: on a blade, on a stage, side by side, and their sums.

What is not known (an unseen blade, a spacing that was not measured, a size that is wanting) leaves the count
not known, and then it ranks as exceeded.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from fringewise.verdict.book import is_any, same_words
from fringewise.verdict.cases import Surroundings
from fringewise.verdict.counting import (
    Counting,
    State,
    length_unit,
    neighbours_state,
    spacing_state,
    sum_state,
    surely_counted,
    unseen_words,
)
from fringewise.verdict.deciding import UNKNOWN, DamageVerdict
from fringewise.verdict.decision import Bounds
from fringewise.verdict.documents import CountDocument, DecidedOutcome
from fringewise.verdict.judge import Judge
from fringewise.verdict.quantities import covers, kinds_words, quantity_rule
from fringewise.verdict.stages import StageSeen, stage_of

Reach = Literal["blade", "stage"]


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
            found += _of_blade(Counting(made, count, here, near or Surroundings(), None, where))
        for place in dict.fromkeys(one.case.blade[:2] for one in own):
            there = [one for one in own if one.case.blade[:2] == place]
            stage = stage_of(stages, place)
            found += _of_stage(Counting(made, count, there, near or Surroundings(), stage, place))
    return tuple(found)


def _may_be_on(damage: DamageVerdict, where: tuple[str, str, str]) -> bool:
    """Say whether a damage is on a blade, or may be, because its own blade is not stated."""
    blade = damage.case.blade
    return blade == where or (blade[:2] == where[:2] and not blade[2])


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
    if covers(count.kind, case.kind):
        return True
    blendable = any(
        one.kind == count.kind and one.blend_up_to is not None and same_words(one.part, count.part)
        for one in made.book.rules
    )
    return case.kind == "blend" and blendable


def _of_blade(made: Counting) -> Iterator[CountVerdict]:
    count = made.count
    on = f"on {_item_words(made)}"
    if count.per_blade_max is not None:
        yield _number(made, "blade", count.per_blade_max, len(made.damages), 0, on)
    if count.spacing_min is not None and len(made.damages) > 1:
        state, words = spacing_state(
            made, quantity_rule("dent", "depth").in_millimetres(count.spacing_min, length_unit(count))
        )
        yield _verdict(made, "blade", state, f"{words} {on}")
    if count.sum_max is not None and count.sum_max.per_blade is not None:
        state, words = sum_state(made, count.sum_max.quantity, count.sum_max.per_blade, unseen=0)
        yield _verdict(made, "blade", state, f"{words} {on}")


def _of_stage(made: Counting) -> Iterator[CountVerdict]:
    count, stage = made.count, made.stage
    unseen = stage.unseen if stage is not None else None
    items = {one.case.blade[2] for one in made.damages}
    on = f"on stage {stage.name}" if stage is not None else f"of the part {made.where[1]}"
    if count.per_stage_max is not None:
        yield _number(made, "stage", count.per_stage_max, len(made.damages), unseen, on)
    if count.damaged_blades_per_stage_max is not None:
        yield _number(
            made, "stage", count.damaged_blades_per_stage_max, len(items), unseen, f"damaged blades {on}"
        )
    if count.adjacent_allowed is False:
        state, words = neighbours_state(items, stage)
        yield _verdict(made, "stage", state, f"{words} {on}")
    if count.sum_max is not None and count.sum_max.per_stage is not None:
        state, words = sum_state(made, count.sum_max.quantity, count.sum_max.per_stage, unseen=unseen)
        yield _verdict(made, "stage", state, f"{words} {on}")


def _number(
    made: Counting, reach: Reach, most: int, possible: int, unseen: int | None, on: str
) -> CountVerdict:
    """Hold a number against its limit: those surely in the zone, those possibly, and the unseen."""
    if "damaged blades" in on:
        sure = len({one.case.blade[2] for one in made.damages if surely_counted(made.count, one)})
    else:
        sure = sum(surely_counted(made.count, one) for one in made.damages)
    state: State = "exceeded" if sure > most else "not known" if possible > most or unseen != 0 else "kept"
    told = f"{possible} {kinds_words(made.count.kind)} {on}, {most} allowed"
    if "damaged blades" in on:
        told = f"{possible} {on} ({kinds_words(made.count.kind)}), {most} allowed"
    return _verdict(made, reach, state, told + unseen_words(unseen, made.stage))


def _item_words(made: Counting) -> str:
    return f"item {made.where[2]}" if made.where[2] else "an item that is not stated"


def _verdict(made: Counting, reach: Reach, state: State, words: str) -> CountVerdict:
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
