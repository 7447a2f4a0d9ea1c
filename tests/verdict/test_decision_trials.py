"""Over many simulated findings of known size, wrong acceptances keep to 5 % at the limit and fall beyond."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from verdict_cases import SIMPLE

from fringewise.verdict.decision import decision_rule
from fringewise.verdict.documents import DecisionDocument
from fringewise.workflow.decision_trials import DecisionTrials, decision_table, try_decisions

# Seeds written down before the first run.
SEED: Final = 20261125
DOCS_SEED: Final = 1


def binomial_sd(share: float, cases: int) -> float:
    return math.sqrt(share * (1 - share) / cases)


@pytest.mark.parametrize("less_is_worse", [False, True])
@pytest.mark.parametrize("degrees", [math.inf, 5.0, 10.0])
def test_wrong_acceptances_at_the_limit_are_5_per_cent(less_is_worse: bool, degrees: float) -> None:
    rng = np.random.default_rng([SEED, int(less_is_worse), 0 if math.isinf(degrees) else int(degrees)])
    found = try_decisions(
        rng, 10_000, distances=(0.0,), degrees_of_freedom=degrees, less_is_worse=less_is_worse
    )
    share = found.rows[0].accepted / 10_000
    assert abs(share - 0.05) <= 3 * binomial_sd(0.05, 10_000)
    assert abs(found.rows[0].rejected / 10_000 - 0.05) <= 3 * binomial_sd(0.05, 10_000)


def test_wrong_acceptances_fall_the_further_beyond_the_limit() -> None:
    found = try_decisions(np.random.default_rng(SEED), 10_000, distances=(0.0, 0.5, 1.0, 1.5, 2.0, 3.0))
    accepted = [row.accepted for row in found.rows]
    assert accepted == sorted(accepted, reverse=True)
    for row in found.rows:
        assert abs(row.accepted / row.cases - row.expected) <= 3 * binomial_sd(row.expected, row.cases) + 1e-4


def test_simple_acceptance_is_seen_to_accept_half_at_the_limit() -> None:
    found = try_decisions(np.random.default_rng(SEED), 10_000, distances=(0.0,), rule=SIMPLE)
    assert abs(found.rows[0].accepted / 10_000 - 0.5) <= 3 * binomial_sd(0.5, 10_000)
    assert found.rows[0].undecided == 0


def test_a_guard_band_of_u_accepts_2_3_per_cent_at_the_limit() -> None:
    rule = decision_rule(DecisionDocument(rule="guard band k U", k=1.0))
    found = try_decisions(np.random.default_rng(SEED), 10_000, distances=(0.0,), rule=rule)
    assert abs(found.rows[0].accepted / 10_000 - 0.02275) <= 3 * binomial_sd(0.02275, 10_000)


@pytest.fixture(scope="module")
def documented() -> DecisionTrials:
    return try_decisions(np.random.default_rng(DOCS_SEED), 10_000)


@pytest.mark.heavy
def test_the_table_of_the_docs_is_what_the_trials_give(
    documented: DecisionTrials, project_root: Path
) -> None:
    page = (project_root / "docs" / "verdicts.md").read_text(encoding="utf-8")
    for line in decision_table(documented):
        assert line in page


@pytest.mark.heavy
def test_every_row_of_the_table_agrees_with_the_arithmetic(documented: DecisionTrials) -> None:
    for row in documented.rows:
        assert abs(row.accepted / row.cases - row.expected) <= 4 * binomial_sd(row.expected, row.cases) + 2e-4
        assert row.accepted + row.rejected + row.undecided == row.cases
