"""Trials of decisions: simulated findings of known true size, decided near a limit, counted by outcome."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr, stdtr

from fringewise.core.progress import Progress, Silent, steps
from fringewise.verdict.book import Ladder, Step
from fringewise.verdict.decision import DecisionRule, decision_rule, ladder_bounds
from fringewise.verdict.documents import DecisionDocument
from fringewise.verdict.sizes import Size, one_sided_factor

_SILENT: Final = Silent()
LIMIT_MM: Final = 0.762
UNCERTAINTY_MM: Final = 0.030
DISTANCES: Final = (-4.0, -3.0, -2.5, -2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
"""Distance of the true size from the limit in standard uncertainties; above 0 it is beyond the limit."""


@dataclass(frozen=True, slots=True)
class DecisionRow:
    """What came of simulated findings whose true size lies at one distance from the limit.

    Attributes
    ----------
    distance : float
        (true size − limit)/u; above 0 the size is beyond the limit.
    cases, accepted, rejected, undecided : int
    expected : float
        Share of acceptances that the decision rule leads one to expect.
    """

    distance: float
    cases: int
    accepted: int
    rejected: int
    undecided: int
    expected: float

    @property
    def beyond(self) -> bool:
        """Whether accepting would be wrong; a size at the limit itself counts as the edge of it."""
        return self.distance >= 0


@dataclass(frozen=True, slots=True)
class DecisionTrials:
    """The rows of a trial, and what was simulated."""

    rows: tuple[DecisionRow, ...]
    rule: DecisionRule
    degrees_of_freedom: float
    less_is_worse: bool


def try_decisions(
    rng: np.random.Generator,
    cases: int = 10_000,
    *,
    distances: Sequence[float] = DISTANCES,
    rule: DecisionRule | None = None,
    degrees_of_freedom: float = math.inf,
    less_is_worse: bool = False,
    progress: Progress = _SILENT,
) -> DecisionTrials:
    """Simulate findings of known true size and decide on each as the program does.

    The measured value scatters normally about the truth; with few degrees of freedom its stated uncertainty
    scatters as well, as one from so few readings does.

    Parameters
    ----------
    rng : numpy Generator
    cases : int
        At each distance.
    distances : sequence of float
    rule : DecisionRule, optional
        The default rule where absent.
    degrees_of_freedom : float
    less_is_worse : bool
    progress : Progress

    Examples
    --------
    >>> found = try_decisions(np.random.default_rng(1), 200, distances=(-5.0, 5.0))
    >>> [(row.accepted, row.rejected) for row in found.rows]
    [(200, 0), (0, 200)]
    """
    made = rule or decision_rule(DecisionDocument(rule="ISO 14253-1:2017"))
    rows = [
        _row(rng, distance, cases, made, degrees_of_freedom, less_is_worse=less_is_worse)
        for distance in steps(distances, "deciding", progress, len(distances))
    ]
    return DecisionTrials(tuple(rows), made, degrees_of_freedom, less_is_worse)


def decision_table(trials: DecisionTrials) -> Iterator[str]:
    """Write the table of a trial as the documentation has it (Markdown).

    Columns: right acceptances and false rejects count where the true size keeps to the limit, wrong
    acceptances and right rejects where it does not; all in per cent of the cases.
    """
    columns = ("right acceptance", "wrong acceptance", "false reject", "right reject", "not decided")
    yield f"| true size − limit | {' | '.join(columns)} |"
    yield "| --: | --: | --: | --: | --: | --: |"
    for row in trials.rows:
        accepted, rejected, undecided = (
            f"{100 * number / row.cases:.2f} %" for number in (row.accepted, row.rejected, row.undecided)
        )
        right = (accepted, "", rejected, "") if not row.beyond else ("", accepted, "", rejected)
        sign = "−" if row.distance < 0 else "+" if row.distance > 0 else ""
        cells = (f"{sign}{abs(row.distance):g} u", *right, undecided)
        yield f"| {' | '.join(cells)} |"


def _row(
    rng: np.random.Generator,
    distance: float,
    cases: int,
    rule: DecisionRule,
    degrees_of_freedom: float,
    *,
    less_is_worse: bool,
) -> DecisionRow:
    worse = -1.0 if less_is_worse else 1.0
    boundary = "serviceable_from" if less_is_worse else "serviceable_up_to"
    ladder = Ladder("less" if less_is_worse else "more", (Step(boundary, LIMIT_MM, "serviceable"),))
    values = rng.normal(LIMIT_MM + worse * distance * UNCERTAINTY_MM, UNCERTAINTY_MM, cases)
    stated = np.full(cases, UNCERTAINTY_MM)
    if math.isfinite(degrees_of_freedom):
        stated *= np.sqrt(rng.chisquare(degrees_of_freedom, cases) / degrees_of_freedom)
    outcomes = [
        ladder_bounds(Size(float(value), float(u), degrees_of_freedom), ladder, rule).decided
        for value, u in zip(values, stated, strict=True)
    ]
    accepted, rejected = outcomes.count("serviceable"), outcomes.count("reject")
    expected = _expected(distance, degrees_of_freedom, rule)
    return DecisionRow(distance, cases, accepted, rejected, cases - accepted - rejected, expected)


def _expected(distance: float, degrees_of_freedom: float, rule: DecisionRule) -> float:
    """Give the share of acceptances to expect; with few degrees of freedom only where that is simple."""
    if rule.probability is None:
        return float(ndtr(-distance - 2 * rule.guard_k))
    factor = one_sided_factor(rule.probability, degrees_of_freedom)
    if math.isinf(degrees_of_freedom):
        return float(ndtr(-distance - factor))
    return float(stdtr(degrees_of_freedom, -factor)) if distance == 0 else math.nan
