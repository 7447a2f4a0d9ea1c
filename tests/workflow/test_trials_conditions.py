"""Heads that are off by their own covariance, and troubles: what comes of them on the same looks.

Seeds were written down before the first run and are never exchanged.
"""

from __future__ import annotations

import numpy as np
import pytest

from fringewise.virtual import standard_head
from fringewise.workflow.conditions import CONDITIONS, LESSONS, Condition, response_ripple, run_conditions
from fringewise.workflow.trial_heads import doubtful_head, flat_target_covariance, wrong_head
from fringewise.workflow.trial_table import SENTENCE, TrialRun, table_document, table_lines, trial_rows
from fringewise.workflow.trials import Case, judge, judge_pooled

SEED_HEADS = 20261203
SEED_TROUBLES = 20261204
HEADS = ("head off, diagonal", "head off, full")
STRAIGHT = ("distance", "distance", "distance")


def named(*names: str) -> list[Condition]:
    return [one for one in CONDITIONS if one.name in names]


@pytest.fixture(scope="module")
def straight() -> dict[str, list[Case]]:
    conditions = [*named(*HEADS), *LESSONS]
    return run_conditions(21, SEED_HEADS, conditions, STRAIGHT, rays_per_pixel=1, draws=0)


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
@pytest.mark.parametrize("name", HEADS)
def test_heads_off_by_their_own_covariance_are_honest(straight: dict[str, list[Case]], name: str) -> None:
    found = judge(straight[name], "distance", "straight")
    print(name, found)
    assert found.count + found.withheld >= 60
    assert found.coverage >= 53 / 60
    assert 0.73 <= found.rms_normalised <= 1.28
    assert found.median_ratio >= 0.22


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_without_the_covariance_most_straight_distances_are_not_covered(
    straight: dict[str, list[Case]],
) -> None:
    found = judge(straight["nothing stated"], "distance", "straight")
    print(found)
    assert found.coverage < 0.60


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_without_cross_terms_distances_get_several_times_their_uncertainty(
    straight: dict[str, list[Case]],
) -> None:
    whole = judge(straight["head off, full"], "distance", "straight")
    alone = judge(straight["no cross terms"], "distance", "straight")
    print(whole, alone)
    assert alone.median_expanded > 3 * whole.median_expanded


@pytest.mark.heavy
@pytest.mark.skip(reason="not yet run to its end: run and judge it first")
def test_a_thinned_sample_under_every_trouble_withholds_a_quarter_at_most_and_is_honest_on_the_rest() -> None:
    troubles = [one for one in CONDITIONS if one.head is None and one.name != "ideal"]
    found = run_conditions(2, SEED_TROUBLES, troubles, rays_per_pixel=1, draws=0)
    everything = judge_pooled([case for cases in found.values() for case in cases])
    print(everything)
    assert everything.withheld <= 0.25 * (everything.count + everything.withheld)
    assert everything.coverage >= 53 / 60
    assert everything.rms_normalised <= 1.28


def test_target_covariance_hangs_together_strongly() -> None:
    covariance = flat_target_covariance(standard_head())
    sigma = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sigma, sigma)
    assert np.abs(correlation - np.eye(len(sigma))).max() > 0.95
    assert np.linalg.eigvalsh(correlation).min() > 0


def test_wrong_heads_scatter_as_their_covariance_says() -> None:
    head, rng = doubtful_head(standard_head(), "full"), np.random.default_rng(SEED_HEADS)
    base = [wrong_head(head, rng).projector.translation_mm[0] + 2.6 for _ in range(400)]
    assert head.covariance is not None
    place = head.covariance.parameters.index("projector.translation_mm.0")
    stated = float(np.sqrt(head.covariance.matrix[place, place]))
    assert np.std(base) == pytest.approx(stated, rel=0.11)  # 3 standard errors of 400


def test_ripple_of_a_response_follows_the_known_table() -> None:
    # RMS for gamma 2.2: N = 3 0.205016, N = 4 0.007519 rad, from the harmonics of I^gamma
    assert response_ripple(2.2, 1.0, 3) == pytest.approx(0.205016, abs=2e-4)
    assert response_ripple(2.2, 1.0, 4) == pytest.approx(0.007519, abs=2e-5)


def test_table_names_conditions_withheld_cases_and_what_it_stands_for() -> None:
    cases = [Case("dent", "depth", "", 15.0, 1.0, error, 0.01, 0.02) for error in (0.0, 0.01, -0.03)]
    cases.append(Case("dent", "depth", "", 15.0, 1.0, float("nan"), float("nan"), float("nan"), "too dark"))
    rows = trial_rows({"ideal": cases})
    run = TrialRun(7, 1, 3, 0, "somewhere", "fringewise 1")
    lines = list(table_lines(rows, named("ideal"), run))
    assert SENTENCE in lines[0]
    assert any(line.startswith("| ideal | dent depth | 4 | 1 | 2 of 3 |") for line in lines)
    document = table_document(rows, run)
    assert document["run"]["seed"] == 7
    assert [row["kind"] for row in document["rows"]] == ["dent", "all"]
