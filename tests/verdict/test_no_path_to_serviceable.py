"""No path leads from doubt to an unqualified "serviceable", over very many random cases.

A random sound case is made first; then one thing (or more) is made doubtful. Sound cases must reach an
unqualified "serviceable" often, so that the test could fail.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Any, Final

import numpy as np
import pytest
from limits_books import HEAD, book_of
from verdict_cases import ISO, PART, lower, upper
from verdict_equipment import AFTER, BEFORE, HEAD_DATES, TAKEN

from fringewise.core.measured import Bound
from fringewise.verdict.book import RANK, Ladder
from fringewise.verdict.cases import SUSPECT, Case, Surroundings
from fringewise.verdict.decision import DecisionRule, decision_rule, ladder_bounds
from fringewise.verdict.documents import DecisionDocument
from fringewise.verdict.groups import Decided, decide_all, stages_with_seen
from fringewise.verdict.judge import Judge, judge
from fringewise.verdict.sizes import Size
from fringewise.verdict.stages import StageSeen
from fringewise.verdict.standing import HeadDates, standing, with_stand_in

# Seeds written down before the first run.
SEED: Final = 51
MONOTONE_SEED: Final = 52

ENTRIES: Final = """
[[zone]]
name = "outer"
part = "compressor 3 blade"
unit = "mm"
from_tip = [0.0, 20.0]

[[zone]]
name = "inner"
part = "compressor 3 blade"
unit = "mm"
from_tip = [20.0, 40.0]

[[rule]]
id = "NICK OUTER"
part = "compressor 3 blade"
zone = "outer"
kind = "edge_nick"
quantity = "depth"
unit = "mm"
serviceable_up_to = 0.25
inspect_again_up_to = 0.50
interval = {cycles = 300}
blend_up_to = 0.90

[[rule]]
id = "NICK INNER"
part = "compressor 3 blade"
zone = "inner"
kind = "edge_nick"
quantity = "depth"
unit = "mm"
serviceable_up_to = 0.10

[[rule]]
id = "DENT"
part = "compressor 3 blade"
kind = "dent"
quantity = "depth"
unit = "in"
serviceable_up_to = 0.010
inspect_again_up_to = 0.020

[[rule]]
id = "DENT WIDTH"
part = "compressor 3 blade"
kind = "dent"
quantity = "width"
unit = "mm"
serviceable_up_to = 4.0

[[rule]]
id = "GAP"
part = "compressor 3 blade"
kind = "clearance"
quantity = "gap_least"
unit = "mm"
serviceable_from = 0.30
serviceable_up_to = 2.0

[[never]]
id = "CRACK"
part = "compressor 3 blade"
kind = "crack"

[[count]]
id = "COUNT"
part = "compressor 3 blade"
kind = "any"
unit = "mm"
per_blade_max = 3
damaged_blades_per_stage_max = 5
spacing_min = 5.0
adjacent_allowed = false
"""
UNCHECKED: Final = HEAD.replace('checked_by = "reviewer B"\n', "")
KINDS: Final = {
    "edge_nick": {"depth": (0.02, 1.1)},
    "dent": {"depth": (0.02, 0.6), "width": (0.5, 5.0)},
    "clearance": {"gap_least": (0.2, 2.2)},
}
STAGE: Final = StageSeen("compressor 3", PART, 6, seen=frozenset("123456"))
SAME_RULE: Final = decision_rule(DecisionDocument(rule="ISO 14253-1:2017"), what_if=True)
SIMPLE_WHAT_IF: Final = decision_rule(DecisionDocument(rule="simple acceptance"), what_if=True)


@dataclass(frozen=True, slots=True)
class World:
    """All that one decision is made from."""

    case: Case
    judge: Judge
    stage: StageSeen | None = STAGE
    near: Surroundings = field(default_factory=Surroundings)
    others: tuple[Case, ...] = ()


Spoil = Callable[[World, np.random.Generator], World]


@pytest.fixture(scope="module")
def judges() -> dict[str, Judge]:
    book, unchecked = book_of(ENTRIES), book_of(ENTRIES, UNCHECKED)
    return {
        "sound": judge(book),
        "unchecked": judge(unchecked),
        "what-if": judge(book, SAME_RULE),
        "simple what-if": judge(book, SIMPLE_WHAT_IF),
    }


def sound_world(rng: np.random.Generator, judges: dict[str, Judge]) -> World:
    kind = str(rng.choice(list(KINDS)))
    sizes = {name: random_size(rng, *reach) for name, reach in KINDS[kind].items()}
    zone = str(rng.choice(["outer", "inner", "Outer", "outer / inner"]))
    stands = standing("HX-07", TAKEN, [HEAD_DATES], [BEFORE, AFTER])
    case = Case(
        "F1", kind, PART, "compressor 3", "3", zone, "D1", sizes, tear_or_crack="no", doubts=stands.doubts
    )
    return World(case, judges["sound"])


def random_size(rng: np.random.Generator, low: float, high: float) -> Size:
    value = float(rng.uniform(low, high))
    u = float(value * 10 ** rng.uniform(-3, -0.7))
    degrees = float(rng.choice([math.inf, 4.0, 15.0]))
    if rng.random() < 0.2:
        return Size(value, u, quantiles=((0.05, value - 2.5 * u), (0.95, value + 1.7 * u)))
    return Size(value, u, degrees)


def sized(world: World, **changes: Any) -> World:
    """Change one of the sizes that a rule asks for, where there is one."""
    if not world.case.sizes:
        return world
    name = next(iter(world.case.sizes))
    sizes = {**world.case.sizes, name: replace(world.case.sizes[name], **changes)}
    return replace(world, case=replace(world.case, sizes=sizes))


def cased(world: World, **changes: Any) -> World:
    return replace(world, case=replace(world.case, **changes))


def equipped(world: World, heads: list[HeadDates], verifications: list[Any], taken: Any = TAKEN) -> World:
    doubts = standing("HX-07", taken, heads, verifications).doubts
    return cased(world, doubts=doubts)


def bounded(world: World, rng: np.random.Generator) -> World:
    bounds: tuple[Bound, ...] = ("at_least", "at_most")
    return sized(world, bound=bounds[int(rng.integers(2))])


def wanting(world: World, _: np.random.Generator) -> World:
    if not world.case.sizes:
        return world
    name = next(iter(world.case.sizes))
    return cased(world, sizes={key: size for key, size in world.case.sizes.items() if key != name})


def crowded(world: World, _: np.random.Generator) -> World:
    if world.case.kind == "clearance":  # which is no damage and needs no spacing
        small = {"depth": Size(0.05, 0.001), "width": Size(1.0, 0.01)}
        world = cased(world, kind="dent", sizes=small)
    beside = replace(world.case, identity="F2", damage="D2")
    return replace(world, others=(beside,))


SPOILS: Final[dict[str, Spoil]] = {
    "not measured": lambda world, _: cased(world, sizes={}, reason="too dark"),
    "a size wanting": wanting,
    "suspect": lambda world, _: cased(world, doubts=SUSPECT),
    "expired": lambda world, _: equipped(
        world, [replace(HEAD_DATES, valid_until=TAKEN.date() - timedelta(days=1))], [BEFORE, AFTER]
    ),
    "head's dates unknown": lambda world, _: equipped(world, [], [BEFORE, AFTER]),
    "time unknown": lambda world, _: equipped(world, [HEAD_DATES], [BEFORE, AFTER], None),
    "not verified before": lambda world, _: equipped(world, [HEAD_DATES], [AFTER]),
    "not verified after": lambda world, _: equipped(world, [HEAD_DATES], [BEFORE]),
    "no rule for the kind": lambda world, rng: cased(
        world, kind=str(rng.choice(["gouge", "observation", "hole"]))
    ),
    "no rule for the part": lambda world, _: cased(world, part="turbine 1 blade"),
    "part unknown": lambda world, _: cased(world, part=""),
    "at least or at most": bounded,
    "a part left out": lambda world, rng: sized(
        world, not_included=(str(rng.choice(["calibration", "definition", "restored metal"])),)
    ),
    "no uncertainty": lambda world, _: sized(world, standard_uncertainty=0.0, quantiles=()),
    "book not checked": lambda world, _: world,
    "what-if": lambda world, _: world,
    "simple what-if": lambda world, _: world,
    "nobody answered whether it is cracked": lambda world, _: cased(
        world,
        tear_or_crack="not known",
        kind="edge_nick" if world.case.kind == "clearance" else world.case.kind,
    ),
    "cracked": lambda world, _: cased(world, tear_or_crack="yes"),
    "a crack": lambda world, _: cased(world, kind="crack"),
    "blades not seen": lambda world, _: replace(world, stage=replace(STAGE, seen=frozenset("3"))),
    "no work card": lambda world, _: replace(world, stage=None),
    "blade not stated": lambda world, _: cased(world, item=""),
    "spacing not measured": crowded,
}
OF_THE_WHOLE: Final = ("blades not seen", "no work card", "blade not stated", "spacing not measured")
"""Doubts that bear on the engine, where a single finding may stand."""
JUDGES: Final = {"book not checked": "unchecked", "what-if": "what-if", "simple what-if": "simple what-if"}


def unqualified(decided: Decided) -> bool:
    """Say whether a finding, its blade, its stage or the engine comes out as serviceable and nothing more."""
    findings = any(one.outcome == "serviceable" and one.stands for one in decided.damages)
    return findings and decided.engine.outcome == "serviceable" and not decided.engine.provisional


def decide_world(world: World) -> Decided:
    cases = (world.case, *world.others)
    stages = () if world.stage is None else (world.stage,)
    return decide_all(world.judge, cases, world.near, stages_with_seen_kept(stages, cases))


def stages_with_seen_kept(stages: tuple[StageSeen, ...], cases: tuple[Case, ...]) -> tuple[StageSeen, ...]:
    return stages_with_seen(stages, cases, {one.name: tuple(one.seen) for one in stages})


def try_cases(number: int, seed: int, judges: dict[str, Judge]) -> Counter[str]:
    """Spoil random worlds in random ways; count the unqualified outcomes by what was spoilt."""
    rng = np.random.default_rng(seed)
    names = [*SPOILS, "sound"]
    got: Counter[str] = Counter()
    for _ in range(number):
        world = sound_world(rng, judges)
        name = names[int(rng.integers(len(names)))]
        if name != "sound":
            world = SPOILS[name](world, rng)
            if name in JUDGES:
                world = replace(world, judge=judges[JUDGES[name]])
            if rng.random() < 0.2:
                world = SPOILS[str(rng.choice(list(SPOILS)))](world, rng)
        decided = decide_world(world)
        alone = name in (*OF_THE_WHOLE, "sound")
        loose = any(one.outcome == "serviceable" and one.stands for one in decided.damages)
        got[f"{name}: tried"] += 1
        got[name] += unqualified(decided) or (loose and not alone)
    return got


def check(got: Counter[str]) -> None:
    assert {name: got[name] for name in SPOILS} == dict.fromkeys(SPOILS, 0)
    assert min(got[f"{name}: tried"] for name in SPOILS) > 0
    assert got["sound"] > 0.05 * got["sound: tried"]


def test_no_path_leads_from_doubt_to_serviceable(judges: dict[str, Judge]) -> None:
    check(try_cases(4_000, SEED, judges))


@pytest.mark.heavy
def test_no_path_leads_from_doubt_to_serviceable_in_100_000_cases(judges: dict[str, Judge]) -> None:
    check(try_cases(100_000, SEED + 1000, judges))


@pytest.mark.parametrize("name", SPOILS)
def test_each_doubt_alone_bars_it_where_the_sound_case_is_serviceable(
    name: str, judges: dict[str, Judge]
) -> None:
    rng = np.random.default_rng(7)
    sizes = {"edge_nick": {"depth": Size(0.02, 0.001)}}
    case = Case(
        "F1", "edge_nick", PART, "compressor 3", "3", "outer", "D1", sizes["edge_nick"], tear_or_crack="no"
    )
    sound = World(case, judges["sound"])
    assert unqualified(decide_world(sound))
    spoilt = SPOILS[name](sound, rng)
    if name in JUDGES:
        spoilt = replace(spoilt, judge=judges[JUDGES[name]])
    assert not unqualified(decide_world(spoilt))


def test_a_passed_verification_of_the_day_may_stand_in_for_the_calibration(judges: dict[str, Judge]) -> None:
    error = standing("HX-07", TAKEN, [HEAD_DATES], [BEFORE, AFTER]).permissible_error_mm
    left_out = Size(0.02, 0.001, not_included=("calibration",))
    case = Case(
        "F1", "edge_nick", PART, "compressor 3", "3", "outer", "D1", {"depth": left_out}, tear_or_crack="no"
    )
    assert not unqualified(decide_world(World(case, judges["sound"])))
    stood_in = replace(case, sizes={"depth": with_stand_in(left_out, True, error)})
    assert unqualified(decide_world(World(stood_in, judges["sound"])))


def monotone(number: int, seed: int) -> int:
    """Move random sizes to their worse side and widen them; count how often the worst class became milder."""
    rng = np.random.default_rng(seed)
    rules = [
        ISO,
        decision_rule(DecisionDocument(rule="simple acceptance")),
        decision_rule(DecisionDocument(rule="guard band k U", k=0.83)),
        decision_rule(DecisionDocument(rule="conformance probability p", p=0.8)),
    ]
    broken = 0
    for _ in range(number):
        ladder, rule = random_ladder(rng), rules[int(rng.integers(len(rules)))]
        size = random_size(rng, 0.05, 1.5)
        bounds: tuple[Bound, ...] = ("both", "at_least", "at_most")
        size = replace(size, bound=bounds[int(rng.integers(3))])
        step = float(rng.exponential(0.1)) * (1.0 if ladder.worse == "more" else -1.0)
        moved = replace(
            size, value=size.value + step, quantiles=tuple((p, x + step) for p, x in size.quantiles)
        )
        factor = 1 + float(rng.exponential(1.0))
        wider = replace(
            size,
            standard_uncertainty=factor * size.standard_uncertainty,
            quantiles=tuple((p, size.value + factor * (x - size.value)) for p, x in size.quantiles),
        )
        before = worst(size, ladder, rule)
        broken += ladder.worse == "more" and worst(moved, ladder, rule) < before
        broken += ladder.worse == "less" and moved.value > 0 and worst(moved, ladder, rule) < before
        broken += worst(wider, ladder, rule) < before
    return broken


def worst(size: Size, ladder: Ladder, rule: DecisionRule) -> int:
    return RANK[ladder_bounds(size, ladder, rule).worst]


def random_ladder(rng: np.random.Generator) -> Ladder:
    limits = np.sort(rng.uniform(0.05, 1.5, int(rng.integers(1, 4)))).tolist()
    return upper(*limits) if rng.random() < 0.5 else lower(*limits[:2][::-1])


def test_the_worst_class_is_monotone_in_size_and_doubt() -> None:
    assert monotone(4_000, MONOTONE_SEED) == 0


@pytest.mark.heavy
def test_the_worst_class_is_monotone_in_100_000_cases() -> None:
    assert monotone(100_000, MONOTONE_SEED + 1000) == 0
