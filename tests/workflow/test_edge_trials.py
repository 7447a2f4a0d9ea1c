"""Damage at edges on rendered captures: good enough, and honest about its doubt.

The bands are those that an honest program passes some 99 times in 100 (design decision 10). The seeds were
written down before their first run and are never exchanged.
"""

from __future__ import annotations

import pytest
from trial_bands import honest

from fringewise.workflow.trials import Case, judge, run_trials

SEED_EDGES = 71011
SEED_CORNERS = 71012
SEED_CLEARANCES = 71013
LOOKS = 31
EXPOSURES = 2


@pytest.fixture(scope="module")
def edges() -> list[Case]:
    made = run_trials(LOOKS, SEED_EDGES, ("edge_nick", "blend"), exposures=EXPOSURES)
    return made + run_trials(LOOKS, SEED_EDGES + 100, ("edge_bend",), exposures=EXPOSURES)


@pytest.fixture(scope="module")
def corners() -> list[Case]:
    return run_trials(LOOKS, SEED_CORNERS, ("corner_loss",), exposures=EXPOSURES)


@pytest.fixture(scope="module")
def clearances() -> list[Case]:
    return run_trials(LOOKS, SEED_CLEARANCES, ("clearance",), exposures=EXPOSURES)


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
@pytest.mark.parametrize(
    ("kind", "quantity", "most_mm"),
    [("edge_nick", "depth", 0.004), ("blend", "depth", 0.006), ("edge_bend", "displacement", 0.006)],
)
def test_damage_at_an_edge_is_right_and_honest(
    edges: list[Case], kind: str, quantity: str, most_mm: float
) -> None:
    found = judge(edges, kind, quantity)
    print(found)
    assert found.count >= 56
    assert found.median_error <= most_mm
    assert honest(found)


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_lost_areas_of_nicks_are_right_to_1_percent(edges: list[Case]) -> None:
    found = judge(edges, "edge_nick", "lost_area")
    print(found)
    assert found.median_relative_error <= 0.01


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_lost_corners_are_right_and_honest(corners: list[Case]) -> None:
    area = judge(corners, "corner_loss", "lost_area")
    losses = [judge(corners, "corner_loss", f"loss_{name}_edge") for name in ("first", "second")]
    print(area, losses)
    assert area.median_relative_error <= 0.015
    assert max(one.median_error for one in losses) <= 0.020
    assert honest(area)


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_gaps_are_right_to_10_um_and_honest(clearances: list[Case]) -> None:
    found = judge(clearances, "clearance", "gap_least")
    print(found)
    assert found.count >= 60
    assert found.median_error <= 0.010
    assert honest(found)


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_few_edges_are_withheld(edges: list[Case], corners: list[Case], clearances: list[Case]) -> None:
    judged = {"edge_nick": "depth", "blend": "depth", "edge_bend": "displacement"}
    judged |= {"corner_loss": "lost_area", "clearance": "gap_least"}
    cases = [one for one in (*edges, *corners, *clearances) if judged[one.kind] == one.quantity]
    reasons = [one.withheld for one in cases if one.withheld]
    print(len(cases), reasons)
    assert len(reasons) <= 0.03 * len(cases)
