"""Blend plans: the smallest smooth removal within the book, or why there is none."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from verdict_cases import NICK_RULE, PART, decided, nick

from fringewise.verdict.blend_plan import NEEDED, BlendPlan, drawn_shape, plan_blend, plan_lines
from fringewise.verdict.cases import Case
from fringewise.verdict.removal import smallest_removal
from fringewise.verdict.sizes import Size
from fringewise.verdict.stages import StageSeen

LIMITS: Final = {
    "length_to_depth": 8.0,
    "depth_max": 1.2,
    "extra_removal": 0.1,
    "radius_min": 6.0,
    "chord_min": 24.0,
    "per_blade_max": 2,
    "per_stage_max": 10,
    "crack_check": "dye penetrant, task 5",
}
CHORD: Final = {"chord": (Size(26.0, 0.05),)}
STAGE: Final = StageSeen("compressor 3", PART, 2, seen=frozenset({"7", "8"}))


def book(**changes: Any) -> str:
    limits = {name: value for name, value in {**LIMITS, **changes}.items() if value is not None}
    words = ", ".join(f"{name} = {value!r}".replace("'", '"') for name, value in limits.items())
    return NICK_RULE + f"blend = {{{words}}}\n"


def deep_nick(depth: float = 0.80, length: float = 2.0, **changes: Any) -> Case:
    sizes = {"depth": Size(depth, 0.01), "length": Size(length, 0.05)}
    return nick(depth, stage="compressor 3", **{"sizes": sizes, **changes})


def blends(number: int, item: str = "7") -> list[Any]:
    made = [
        Case(
            f"B{n}", "blend", PART, "compressor 3", item, tear_or_crack="no", sizes={"depth": Size(0.5, 0.01)}
        )
        for n in range(number)
    ]
    return [decided(one, entries=book()) for one in made]


def plan(case: Case | None = None, entries: str | None = None, **more: Any) -> BlendPlan:
    damage = decided(case or deep_nick(), entries=entries or book())
    given_to_it = {"places": CHORD, "stages": (STAGE,), **more}
    found = plan_blend(damage, given_to_it.pop("damages", ()), **given_to_it)
    assert found is not None
    return found


def test_the_plan_clears_the_damage_its_doubt_and_the_extra_removal() -> None:
    found = plan()
    assert found.removal is not None
    assert found.removal.depth_mm == pytest.approx(0.80 + 2 * 0.01 + 0.1)
    assert found.removal.flat_mm == pytest.approx(2.0 + 2 * 0.05)
    assert found.holds


def test_the_plan_keeps_to_ratio_and_radius_and_no_more() -> None:
    found = plan()
    assert found.removal is not None
    tight = [
        found.removal.length_mm / found.removal.depth_mm / 8.0,
        found.removal.radius_least_mm / 6.0,
    ]
    assert min(tight) == pytest.approx(1.0)


def test_the_least_radius_is_that_of_the_drawn_curve() -> None:
    made = smallest_removal(0.9, 2.0, length_to_depth=8.0, radius_min_mm=6.0)
    along = np.linspace(0, made.length_mm / 2, 200_001)
    depth = made.depths_mm(along)
    step = along[1] - along[0]
    slope = np.gradient(depth, step)
    bend = np.abs(np.gradient(slope, step)) / (1 + slope**2) ** 1.5
    inner = (along > made.flat_mm / 2 + 5 * step) & (along < made.length_mm / 2 - 5 * step)
    assert 1 / bend[inner].max() == pytest.approx(made.radius_least_mm, rel=1e-3)
    assert np.abs(np.gradient(slope, step))[inner].max() == pytest.approx(1 / made.radius_least_mm, rel=1e-3)


@given(st.floats(0.1, 3.0), st.floats(0.1, 10.0), st.floats(1.0, 20.0), st.floats(0.5, 30.0))
def test_every_removal_keeps_to_what_was_asked(
    depth: float, length: float, ratio: float, radius: float
) -> None:
    made = smallest_removal(depth, length, length_to_depth=ratio, radius_min_mm=radius)
    assert made.length_mm >= ratio * depth * (1 - 1e-9)
    assert made.radius_least_mm >= radius * (1 - 1e-9)
    assert np.all(made.depths_mm(np.linspace(-length / 2, length / 2, 9)) >= depth * (1 - 1e-9))


@given(st.floats(0.3, 2.0), st.floats(0.5, 6.0), st.integers(3, 9))
def test_a_known_outline_is_cleared_with_no_more_than_without(
    depth: float, length: float, number: int
) -> None:
    along = np.linspace(-length / 2, length / 2, number)
    outline = np.column_stack([along, depth * (1 - (2 * np.abs(along) / length) ** 2)])
    deep = depth * 1.0001
    made = smallest_removal(deep, length, length_to_depth=4.0, radius_min_mm=1.0, outline_mm=outline)
    plain = smallest_removal(deep, length, length_to_depth=4.0, radius_min_mm=1.0)
    assert np.all(made.depths_mm(outline[:, 0]) >= outline[:, 1] * (1 - 1e-9))
    assert made.area_mm2 <= plain.area_mm2 * (1 + 1e-9)


@pytest.mark.parametrize("name", NEEDED)
def test_a_value_missing_in_the_book_gives_no_plan(name: str) -> None:
    found = plan(entries=book(**{name: None}))
    assert found.removal is None
    assert any(f"does not state {name}" in one for one in found.why_not)


def test_without_a_length_or_a_chord_there_is_no_plan() -> None:
    found = plan(deep_nick(sizes={"depth": Size(0.8, 0.01)}), places={})
    assert found.removal is None
    assert len(found.why_not) == 2
    partial = deep_nick(sizes={"depth": Size(0.8, 0.01), "length": Size(2.0, 0.05, bound="at_least")})
    assert plan(partial).removal is None


@pytest.mark.parametrize(
    ("case", "entries", "more", "name"),
    [
        (deep_nick(0.85), book(depth_max=1.0, extra_removal=0.1, chord_min=24.0), {}, ""),
        (deep_nick(0.87), book(depth_max=1.0, extra_removal=0.1), {}, ""),
        (None, book(chord_min=25.0), {"places": {"chord": (Size(25.8, 0.05),)}}, "Chord left"),
        (None, None, {"damages": blends(2)}, "Blends on the blade"),
        (None, None, {"damages": blends(10, "8")}, "Blends on the stage"),
        (None, None, {"stages": ()}, "Blends on the stage"),
    ],
)
def test_what_would_not_hold_afterwards_is_said(
    case: Case | None, entries: str | None, more: Any, name: str
) -> None:
    found = plan(case, entries, **more)
    broken = [one.name for one in found.checks if not one.holds]
    assert broken == ([name] if name else [])
    text = " ".join(plan_lines(found))
    assert ("does not hold" in text) == bool(name)
    assert ("No blend keeps to all of it" in text) == bool(name)


def test_a_plan_too_deep_for_the_book_does_not_hold() -> None:
    found = plan(deep_nick(sizes={"depth": Size(0.7, 0.11), "length": Size(2.0, 0.05)}), book(depth_max=1.0))
    assert [one.name for one in found.checks if not one.holds] == ["Depth of the blend"]
    assert not found.holds


def test_damage_that_may_be_past_blending_gets_no_plan() -> None:
    damage = decided(deep_nick(0.89), entries=book())
    assert damage.bounds.worst == "reject"
    assert plan_blend(damage, places=CHORD, stages=(STAGE,)) is None


def test_only_what_may_be_blended_gets_a_plan() -> None:
    for depth in (0.1, 0.4, 0.95):
        assert plan_blend(decided(deep_nick(depth), entries=book()), places=CHORD) is None


def test_each_check_names_its_place_in_the_manual() -> None:
    assert {one.source for one in plan().checks} == {"table 601, line 4"}


def test_a_plan_says_that_it_is_no_instruction_and_what_comes_after() -> None:
    text = " ".join(plan_lines(plan()))
    assert "A plan for the licensed person, not an instruction." in text
    assert "stays open until the finished blend is measured" in text
    assert "dye penetrant, task 5" in text


def test_the_drawn_shape_ends_smoothly_on_the_edge() -> None:
    along, depth = drawn_shape(plan())
    assert depth[0] == depth[-1] == 0.0
    assert depth.max() == pytest.approx(0.92)
    assert math.isclose(along[0], -along[-1])


def test_inches_of_the_book_become_millimetres() -> None:
    inches = {"depth_max": 1.2, "extra_removal": 0.1, "radius_min": 6.0, "chord_min": 24.0}
    entries = book(**{name: value / 25.4 for name, value in inches.items()}).replace(
        'unit = "mm"', 'unit = "in"'
    )
    for name, value in (("0.25", 0.25), ("0.50", 0.50), ("0.90", 0.90)):
        entries = entries.replace(f"up_to = {name}", f"up_to = {value / 25.4!r}")
    found, plain = plan(entries=entries), plan()
    assert found.removal is not None
    assert plain.removal is not None
    assert found.removal.length_mm == pytest.approx(plain.removal.length_mm)
