"""A blend plan is drawn on the photo and from the side, and says what it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from render.looks import FOCAL_PX, HEIGHT, STANDOFF_MM, surface

from fringewise.render.blend_plan import blend_plan_picture, plan_on_photo
from fringewise.render.writing import png_of
from fringewise.verdict.blend_plan import BlendPlan, Check
from fringewise.verdict.removal import Removal

EDGE = np.array([[60.0, 40.0], [260.0, 40.0]])
PLAN = BlendPlan(
    "F1",
    "NICK",
    Removal(0.92, 2.1, 5.2),
    (Check("Least radius", "at least 6 mm", "6 mm", True, "table 601"),),
    (),
    ("After blending: measure the finished blend.",),
    (0.8, 2.0),
)


def words_of(plan: BlendPlan, **more: object) -> str:
    figure = blend_plan_picture(plan, **more)  # type: ignore[arg-type]  # as given by the tests below
    return " ".join(one.get_text() for one in figure.texts)


def test_the_removal_lies_on_the_photo_where_its_millimetres_say() -> None:
    line = plan_on_photo(PLAN, surface(), EDGE)
    assert line is not None
    deepest = line[len(line) // 2]
    assert deepest[0] == pytest.approx(160.0, abs=1.0)
    # 0.92 mm at the stand-off is so many pixels; the metal lies on both sides of these marks, mostly below
    assert deepest[1] - 40.0 == pytest.approx(0.92 * FOCAL_PX / STANDOFF_MM, abs=1.0)
    assert line[0, 1] == pytest.approx(40.0, abs=1.0)
    other_way = plan_on_photo(PLAN, surface(), EDGE[::-1])
    assert other_way is not None
    assert other_way[len(line) // 2, 1] == pytest.approx(deepest[1], abs=0.5)


def test_metal_above_the_edge_is_cut_upwards() -> None:
    low = np.array([[60.0, HEIGHT - 40.0], [260.0, HEIGHT - 40.0]])
    line = plan_on_photo(PLAN, surface(), low)
    assert line is not None
    assert line[len(line) // 2, 1] < HEIGHT - 40.0


def test_marks_without_metal_give_no_line() -> None:
    nothing = np.array([[30.0, 170.0], [80.0, 170.0]])
    lost = replace(surface(), flags=np.full((HEIGHT, 320), 1, np.uint16))
    assert plan_on_photo(PLAN, lost, EDGE) is None
    assert (
        plan_on_photo(BlendPlan("F1", "NICK", why_not=("the book does not state it",)), surface(), nothing)
        is None
    )


def test_the_page_says_that_it_is_no_instruction_and_what_holds() -> None:
    told = words_of(PLAN, surface=surface(), edge_px=EDGE)
    assert "not an instruction" in told
    assert "Least radius: asked at least 6 mm, planned 6 mm: holds (table 601)" in told
    assert "deep" in told


def test_why_there_is_no_plan_stands_on_the_page() -> None:
    told = words_of(BlendPlan("F1", "NICK", why_not=("the book does not state radius_min",)))
    assert "No plan: the book does not state radius_min." in told
    assert "no plan" in told


def test_what_does_not_hold_is_said_loudly() -> None:
    broken = replace(PLAN, checks=(replace(PLAN.checks[0], holds=False),))
    told = words_of(broken, unit="in", theme="dark")
    assert "DOES NOT HOLD" in told
    assert "No blend keeps to all of it: refer." in told


def test_the_same_plan_gives_the_same_picture() -> None:
    assert png_of(blend_plan_picture(PLAN)) == png_of(blend_plan_picture(PLAN))
