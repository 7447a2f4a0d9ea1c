"""Nicks on rendered captures of random blades: good enough, and honest about their doubt.

The bands are those that an honest program passes some 99 times in 100 (design decision 10). The seed was
written down before the first run and is never exchanged. Edges need more rays a pixel than faces: with a few,
all pixels along an edge err alike, which no camera does.
"""

from __future__ import annotations

import pytest
from trial_bands import honest

from fringewise.workflow.trials import Case, judge, run_trials

SEED = 20261126
LOOKS = 31
RAYS = 7


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return run_trials(LOOKS, SEED, ["edge_nick", "edge_nick"], rays_per_pixel=RAYS)


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_nick_depths_are_right_to_4_um_and_honest(cases: list[Case]) -> None:
    found = judge(cases, "edge_nick", "depth")
    print(found)
    assert found.count + found.withheld >= 60
    assert found.withheld <= 0.03 * (found.count + found.withheld)
    assert found.median_error <= 0.004
    assert honest(found)


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_areas_lost_by_nicks_are_right_to_1_percent_and_honest(cases: list[Case]) -> None:
    found = judge(cases, "edge_nick", "lost_area")
    print(found)
    assert found.median_relative_error <= 0.01
    assert honest(found)
