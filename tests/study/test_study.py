"""Studies by both methods against a published table and a case worked by hand.

The 10 x 3 x 3 table is the well-known example of the automotive industry's manual on measurement systems
(4th edition, figure III-B 6/15), as quoted alike by two independent open-source packages.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from fringewise.core.errors import InputRefused
from fringewise.study import StudyResult, StudyTable, by_anova, by_average_range, parse_study, placing_px
from fringewise.study.average_range import mean_of_range, range_limit, root_of_square_range
from fringewise.study.variance import squares_of

READINGS = {
    "A": """.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
            .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
            .64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31""",
    "B": """.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
            .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
            .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50""",
    "C": """.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
            -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
            -.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16""",
}


def rows() -> list[str]:
    return [
        f"{feature},{person},{repeat},{value},mm"
        for person, text in READINGS.items()
        for repeat, line in enumerate(text.splitlines(), 1)
        for feature, value in enumerate(line.split(), 1)
    ]


def as_csv(lines: list[str]) -> str:
    return "\n".join(["feature,person,repeat,value,unit", *lines]) + "\n"


def published() -> StudyTable:
    return parse_study(as_csv(rows()), "study.csv")


def test_published_table_by_average_and_range() -> None:
    found = by_average_range(published())
    assert found.method == "average-range"
    # EV .20188, AV .22963, GRR .30575, PV 1.10456, TV 1.14610 with rounded constants; recomputed in full
    # precision .20186, .22967, .30577, 1.10460, 1.14613
    assert found.repeatability == pytest.approx(0.20186, abs=5e-5)
    assert found.reproducibility == pytest.approx(0.22967, abs=5e-5)
    assert found.measuring == pytest.approx(0.30577, abs=5e-5)
    assert found.features == pytest.approx(1.10460, abs=2e-4)
    assert found.total == pytest.approx(1.14613, abs=2e-4)
    assert found.grr_per_cent == pytest.approx(26.68, abs=0.005)
    assert found.categories == 5
    # person B on feature 4, range 1.02, UCL .880
    assert len(found.notes) == 1
    assert "feature 4, person B" in found.notes[0]
    assert range_limit(0.3417, 3) == pytest.approx(0.880, abs=0.001)


def test_published_table_by_analysis_of_variance() -> None:
    table = published()
    squares = squares_of(table)
    # SS 88.3619 (parts), 3.16726 (people), .35898 (interaction), 2.75893 (equipment)
    assert squares.features[0] == pytest.approx(88.3619, abs=1e-4)
    assert squares.people[0] == pytest.approx(3.16726, abs=1e-5)
    assert squares.interaction[0] == pytest.approx(0.35898, abs=1e-5)
    assert squares.repeats[0] == pytest.approx(2.75893, abs=1e-5)
    assert [squares.features[1], squares.people[1], squares.interaction[1], squares.repeats[1]] == [
        9,
        2,
        18,
        60,
    ]
    assert squares.interaction_probability == pytest.approx(0.974, abs=0.001)
    found = by_anova(table)
    assert found.method == "ANOVA"
    assert found.repeatability == pytest.approx(0.199933, abs=1e-6)
    assert found.reproducibility == pytest.approx(0.226838, abs=1e-6)
    assert found.features == pytest.approx(1.042327, abs=1e-6)
    assert found.grr_per_cent == pytest.approx(27.860650881142313, abs=1e-9)
    assert found.categories == 4
    assert "pooled" in found.notes[0]


def test_case_worked_by_hand() -> None:
    # X: P1 1.0 1.2, P2 2.0 2.2; Y: P1 1.3 1.5, P2 2.3 2.5; with 5.15 sigma and constants rounded to 4.56,
    # 3.65, 3.65: EV .912, AV² .991089, GRR² 1.822833, PV 3.65, %GRR 34.692, 3 categories
    values = np.array([[[1.0, 1.2], [1.3, 1.5]], [[2.0, 2.2], [2.3, 2.5]]])
    found = by_average_range(StudyTable(("P1", "P2"), ("X", "Y"), "mm", values))
    assert 5.15 * found.repeatability == pytest.approx(0.912, rel=0.002)
    assert (5.15 * found.reproducibility) ** 2 == pytest.approx(0.991089, rel=0.007)
    assert 5.15 * found.features == pytest.approx(3.65, rel=0.003)
    assert found.grr_per_cent == pytest.approx(34.692, abs=0.05)
    assert found.categories == 3


def test_range_factors_are_those_of_the_trade() -> None:
    # K1 .5908 (3 repeats), K2 .5231 (3 people), K3 .3146 (10 parts), as printed
    assert 1 / mean_of_range(3) == pytest.approx(0.5908, abs=5e-5)
    assert 1 / root_of_square_range(3) == pytest.approx(0.5231, abs=5e-5)
    assert 1 / root_of_square_range(10) == pytest.approx(0.3146, abs=5e-5)


def test_scatter_put_in_comes_out_by_both_methods() -> None:
    rng = np.random.default_rng(20261125)
    shape = (40, 12, 3)
    values = rng.normal(0, 2.0, (40, 1, 1)) + rng.normal(0, 0.5, (1, 12, 1)) + rng.normal(0, 0.3, shape)
    table = StudyTable(tuple(map(str, range(40))), tuple(map(str, range(12))), "mm", values)
    for found in (by_anova(table), by_average_range(table)):
        assert found.repeatability == pytest.approx(0.3, rel=0.06)  # about 2 standard errors
        assert found.reproducibility == pytest.approx(0.5, rel=0.45)  # of 12 people
        assert found.features == pytest.approx(2.0, rel=0.25)


def test_an_interaction_that_is_there_counts_with_the_people() -> None:
    rng = np.random.default_rng(20261125)
    values = rng.normal(0, 1.0, (20, 4, 1)) + rng.normal(0, 0.05, (20, 4, 3))
    found = by_anova(StudyTable(tuple(map(str, range(20))), tuple("ABCD"), "mm", values))
    assert "counts with the people" in found.notes[0]
    assert found.reproducibility == pytest.approx(1.0, rel=0.2)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is empty"),
        ("feature,person,value\n1,A,2\n", "repeat, unit missing"),
        (as_csv([*rows()[:-1], "10,C,3,two,mm"]), "value must be a number"),
        (as_csv([*rows()[:-1], "10,C,3,-2.16,in"]), "unit: must be the same in every row"),
        (as_csv([*rows(), "1,A,1,0.29,mm"]), "must be given once, not twice"),
        (as_csv(rows()[:-1]), "feature 10, person C must have 3 repeats like the others (found 2)"),
        (as_csv([row for row in rows() if ",A," in row]), "needs two people or more"),
        (as_csv([*rows()[:-1], "10,C,3,,mm"]), "must give value"),
    ],
)
def test_bad_tables_are_refused_in_one_clear_line(text: str, told: str) -> None:
    with pytest.raises(InputRefused) as refused:
        parse_study(text, "study.csv")
    assert any(told in str(problem) for problem in refused.value.problems)


def test_every_problem_of_a_table_is_told() -> None:
    with pytest.raises(InputRefused) as refused:
        parse_study(as_csv([*rows()[:-2], "9,C,3,x,mm", "10,C,3,nan,mm"]))
    assert [problem.field for problem in refused.value.problems][:2] == ["line 90", "line 91"]


def test_placing_comes_from_pixels_only() -> None:
    assert placing_px(StudyResult("ANOVA", "px", 0.3, 0.4, 9.0)) == pytest.approx(0.5)
    with pytest.raises(ValueError, match="px"):
        placing_px(StudyResult("ANOVA", "mm", 0.3, 0.4, 9.0))
    assert math.isnan(StudyResult("ANOVA", "mm", 0.0, 0.0, 0.0).grr_per_cent)
