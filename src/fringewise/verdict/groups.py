"""The worst of several: findings with their counts, blades, stages and the engine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from fringewise.verdict.book import RANK, plain_words
from fringewise.verdict.cases import Case as Finding
from fringewise.verdict.cases import Surroundings, same_damage
from fringewise.verdict.counts import CountVerdict, count_together
from fringewise.verdict.deciding import UNKNOWN, DamageVerdict, decide_damage
from fringewise.verdict.decision import Bounds, Ground, strictest
from fringewise.verdict.documents import Outcome
from fringewise.verdict.doubts import outer_doubts
from fringewise.verdict.grown import Clock, EarlierSize, with_growth
from fringewise.verdict.judge import Judge
from fringewise.verdict.stages import StageSeen, stage_of

GroupReach = Literal["blade", "stage", "engine"]


@dataclass(frozen=True, slots=True)
class GroupVerdict:
    """The worst of a blade, a stage or the engine.

    Attributes
    ----------
    reach : {"blade", "stage", "engine"}
    name : str
        Such as ``compressor 3, blade 7``; empty for the engine.
    bounds : Bounds
        The mildest and the worst class still possible; what was not seen could be the worst.
    wants : frozenset of str
        ``no_rule`` and ``not_measured`` among its worst findings.
    findings : int
    seen, items : int, optional
        How many items were seen, and of how many; None where that is not known.
    provisional : tuple of str
    within : bool
        Whether all findings are decided and within limits.
    """

    reach: GroupReach
    name: str
    bounds: Bounds
    wants: frozenset[str] = frozenset()
    findings: int = 0
    seen: int | None = None
    items: int | None = None
    provisional: tuple[str, ...] = ()
    within: bool = False

    @property
    def outcome(self) -> Outcome:
        """Format 9's outcome."""
        if self.bounds.decided is not None:
            return self.bounds.decided
        if self.wants == {"no_rule"}:
            return "no_rule"
        return "not_measured" if self.wants == {"not_measured"} else "not_decided"

    @property
    def unseen(self) -> int | None:
        """How many items were not seen; None where that is not known."""
        return None if self.items is None or self.seen is None else self.items - self.seen


@dataclass(frozen=True, slots=True)
class Decided:
    """All verdicts of an inspection.

    Attributes
    ----------
    judge : Judge
    damages : tuple of DamageVerdict
        With what the counts make of them.
    counts : tuple of CountVerdict
    groups : tuple of GroupVerdict
        Blades, then stages, then the engine.
    """

    judge: Judge
    damages: tuple[DamageVerdict, ...]
    counts: tuple[CountVerdict, ...]
    groups: tuple[GroupVerdict, ...]

    @property
    def engine(self) -> GroupVerdict:
        """The worst of all."""
        return self.groups[-1]


def decide_all(
    made: Judge,
    cases: Sequence[Finding],
    near: Surroundings | None = None,
    stages: Sequence[StageSeen] = (),
    left_out: Mapping[str, str] | None = None,
    earlier: Sequence[EarlierSize] = (),
    now: Clock | None = None,
) -> Decided:
    """Decide on all findings of an inspection, with counts, blades, stages and the engine.

    Parameters
    ----------
    made : Judge
    cases : sequence of Case
    near : Surroundings, optional
        Where damages lie and how far apart, as measured.
    stages : sequence of StageSeen
        From the work card, with the items that were seen.
    left_out : mapping of str to str, optional
        Measurements that don't count, by id, each with its reason.
    earlier : sequence of EarlierSize
        Findings of earlier inspections: their blends count, and growth since shortens intervals.
    now : mapping of {"hours", "cycles"} to float, optional
        Of the engine at this inspection.
    """
    single = [decide_damage(made, group, near, left_out) for group in same_damage(cases)]
    closed = _closed(single)
    single = [_with_item_asked(_told_closed(one, closed), stages) for one in single]
    counts = count_together(made, [*single, *_earlier_blends(made, single, earlier)], near, stages)
    damages = tuple(_with_counts(with_growth(made, one, earlier, now or {}), counts) for one in single)
    open_ones = [one for one in damages if one.case.subject not in closed]
    groups = (
        *_blades(open_ones),
        *_stages(open_ones, counts, stages),
        _engine(open_ones, counts, stages),
    )
    return Decided(made, damages, counts, tuple(_with_outer_doubts(made, one) for one in groups))


def _with_outer_doubts(made: Judge, group: GroupVerdict) -> GroupVerdict:
    """Let what bars any outcome, such as an unchecked book, bar a group's as well, findings or none."""
    return replace(group, provisional=tuple(dict.fromkeys([*outer_doubts(made, ()), *group.provisional])))


def _earlier_blends(
    made: Judge, damages: Sequence[DamageVerdict], earlier: Sequence[EarlierSize]
) -> Iterator[DamageVerdict]:
    """Give the blends of earlier inspections that this one did not find again, for the counts."""
    known = {one.case.subject for one in damages}
    blends = [one.case for one in earlier if one.case.kind == "blend" and one.case.subject not in known]
    yield from (decide_damage(made, group) for group in same_damage(blends))


def _closed(damages: Sequence[DamageVerdict]) -> dict[tuple[str, ...], str]:
    """Give the damages that became a finished blend which is itself on record, by their subject."""
    blends = {
        (one.case.blade, one.case.damage): one
        for one in damages
        if one.case.kind == "blend" and one.case.damage
    }
    found = {}
    for one in damages:
        blend = blends.get((one.case.blade, one.case.damage))
        if blend is not None and one is not blend and RANK[one.bounds.worst] <= RANK["blend"]:
            found[one.case.subject] = blend.case.identity
    return found


def _told_closed(damage: DamageVerdict, closed: Mapping[tuple[str, ...], str]) -> DamageVerdict:
    blend = closed.get(damage.case.subject)
    if blend is None:
        return damage
    return replace(damage, said=(*damage.said, f"It was blended since: the blend {blend} is what counts."))


def _with_item_asked(damage: DamageVerdict, stages: Sequence[StageSeen]) -> DamageVerdict:
    """Let a damage on a stage of the card not stand where nobody says on which of its items it is."""
    stage = stage_of(stages, damage.case.blade[:2])
    if stage is None or damage.case.item:
        return damage
    doubt = f"which {stage.item_word} of the stage it is on is not stated"
    return replace(damage, provisional=(*damage.provisional, doubt))


def _with_counts(damage: DamageVerdict, counts: Sequence[CountVerdict]) -> DamageVerdict:
    """Let the counts that a damage is in bear on it: an exceeded one as a rule, unseen blades as a doubt."""
    ids = {one.identity for one in damage.cases}
    own = [one for one in counts if ids & one.members and one.state != "kept"]
    bearing = [one for one in own if one.state == "exceeded" or one.reach == "blade"]
    grounds = [_ground(one) for one in bearing]
    doubts = [f"count {one.count} is not known: {one.words}" for one in own if one not in bearing]
    bounds = strictest([damage.bounds, *(one.bounds for one in grounds)])
    return replace(
        damage,
        bounds=bounds,
        grounds=(*damage.grounds, *grounds),
        provisional=(*damage.provisional, *doubts),
        interval=damage.interval if bounds == damage.bounds else None,
    )


def _ground(count: CountVerdict) -> Ground:
    known = "" if count.state == "exceeded" else "not known, and ranks as exceeded: "
    return Ground(count.count, count.bounds, source=count.source, words=known + count.words)


def _blades(damages: Sequence[DamageVerdict]) -> Iterator[GroupVerdict]:
    for blade in dict.fromkeys(one.case.blade for one in damages):
        own = [one for one in damages if one.case.blade == blade]
        case = own[0].case
        item = f"item {case.item}" if case.item else "item not stated"
        yield _group("blade", ", ".join(one for one in (case.stage or case.part, item) if one), own, ())


def _stages(
    damages: Sequence[DamageVerdict], counts: Sequence[CountVerdict], stages: Sequence[StageSeen]
) -> Iterator[GroupVerdict]:
    met: set[str] = set()
    for place in dict.fromkeys(one.case.blade[:2] for one in damages):
        own = [one for one in damages if one.case.blade[:2] == place]
        of_stage = [one for one in counts if one.reach == "stage" and one.where[:2] == place]
        stage = stage_of(stages, place)
        case = own[0].case
        if stage is not None:
            met.add(stage.name)
        name = stage.name if stage is not None else case.stage or case.part or "stage not stated"
        yield _group("stage", name, own, of_stage, [stage])
    for stage in stages:
        if stage.name not in met:
            yield _group("stage", stage.name, (), (), [stage])


def _engine(
    damages: Sequence[DamageVerdict], counts: Sequence[CountVerdict], stages: Sequence[StageSeen]
) -> GroupVerdict:
    of_stages = [one for one in counts if one.reach == "stage"]
    known: list[StageSeen | None] = list(stages)
    if any(stage_of(stages, one.case.blade[:2]) is None for one in damages) or not stages:
        known.append(None)
    return _group("engine", "", damages, of_stages, known)


def _group(
    reach: GroupReach,
    name: str,
    damages: Sequence[DamageVerdict],
    counts: Sequence[CountVerdict],
    stages: Iterable[StageSeen | None] = (),
) -> GroupVerdict:
    """Take the worst of what a group holds; of what was not seen nothing is known."""
    known = list(stages)
    whole = all(one is not None for one in known)
    seen = sum(len(one.seen) for one in known if one is not None) if known and whole else None
    items = sum(one.items for one in known if one is not None) if known and whole else None
    dark = bool(known) and (items is None or seen is None or seen < items)
    own = strictest([Bounds("serviceable", "serviceable"), *(one.bounds for one in damages)])
    worst = [one for one in damages if one.bounds.worst == own.worst and one.bounds.decided is None]
    bounds = strictest([own, *(one.bounds for one in counts), *([UNKNOWN] if dark else [])])
    doubts = dict.fromkeys(reason for one in damages for reason in one.provisional)
    within = own == Bounds("serviceable", "serviceable") and all(one.state == "kept" for one in counts)
    wants = {want for one in worst for want in (one.wants or {"not_decided"})} if not dark else set()
    return GroupVerdict(
        reach, name, bounds, frozenset(wants), len(damages), seen, items, tuple(doubts), within
    )


def stages_with_seen(
    stages: Sequence[StageSeen], cases: Sequence[Finding], seen: Mapping[str, Iterable[str]]
) -> tuple[StageSeen, ...]:
    """Say of each stage which items were seen: those named as seen, and those that have a finding."""
    made = []
    for stage in stages:
        named = {
            _numbered(plain_words(one))
            for name, items in seen.items()
            if plain_words(name) == plain_words(stage.name)
            for one in items
        }
        found = {
            _numbered(one.blade[2]) for one in cases if stage_of(stages, one.blade[:2]) == stage and one.item
        }
        made.append(replace(stage, seen=frozenset(named | found)))
    return tuple(made)


def _numbered(item: str) -> str:
    """Write an item's number one way: blade 07 is blade 7, and is seen once."""
    return str(int(item)) if item.isdecimal() else item
