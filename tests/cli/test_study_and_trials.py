"""The commands ``study`` and ``trials``: what they print, and how they refuse."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from fringewise.cli import app

HEADER = "feature,person,repeat,value,unit\n"
SMALL = "".join(
    f"{feature},{person},{repeat},{feature + 0.1 * repeat + (0.3 if person == 'B' else 0.0):.2f},px\n"
    for feature in (1, 2)
    for person in "AB"
    for repeat in (1, 2)
)


def test_a_study_names_both_methods_and_gives_the_placing_of_marks(tmp_path: Path) -> None:
    table = tmp_path / "study.csv"
    table.write_text(HEADER + SMALL, encoding="utf-8")
    told = CliRunner().invoke(app, ["study", str(table)])
    assert told.exit_code == 0
    assert "%GRR by average-range" in told.stdout
    assert "%GRR by ANOVA" in told.stdout
    assert '"placing_px"' in told.stdout


def test_a_study_with_faults_is_refused_with_one_line_each(tmp_path: Path) -> None:
    table = tmp_path / "study.csv"
    table.write_text(HEADER + SMALL + "3,A,1,two,px\n3,A,1,1.0,mm\n", encoding="utf-8")
    told = CliRunner().invoke(app, ["study", str(table)])
    assert told.exit_code == 2
    assert "line 10: value must be a number" in told.stderr
    assert "unit: must be the same in every row" in told.stderr


def test_trials_refuse_a_condition_that_is_not_there() -> None:
    told = CliRunner().invoke(app, ["trials", "--condition", "moonlight"])
    assert told.exit_code == 2
    assert "three shifts" in told.stderr


@pytest.mark.heavy
def test_trials_write_their_table_and_its_data(tmp_path: Path) -> None:
    asked = ["--looks", "1", "--seed", "5", "--condition", "ideal", "--rays", "1", "--draws", "0"]
    files = ["--out", str(tmp_path / "table.md"), "--data", str(tmp_path / "table.json")]
    told = CliRunner().invoke(app, ["trials", *asked, *files])
    assert told.exit_code == 0
    assert "prove yours on your block" in (tmp_path / "table.md").read_text(encoding="utf-8")
    data = json.loads((tmp_path / "table.json").read_text(encoding="utf-8"))
    assert data["run"]["seed"] == 5
    assert {row["condition"] for row in data["rows"]} == {"ideal"}
