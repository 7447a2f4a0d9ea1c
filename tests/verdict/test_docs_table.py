"""The worked table of the documentation is what the program computes."""

from __future__ import annotations

import re
from pathlib import Path

from verdict_cases import ISO, upper

from fringewise.verdict.decision import ladder_bounds
from fringewise.verdict.sizes import Size

LIMITS = (0.25, 0.50, 0.90)
ROW = re.compile(r"^\| (0\.\d{3}) \| (0\.\d{3}) \| (.*) \|$", flags=re.MULTILINE)


def test_each_row_of_the_worked_table_is_right(project_root: Path) -> None:
    page = (project_root / "docs" / "verdicts.md").read_text(encoding="utf-8")
    rows = ROW.findall(page)
    assert len(rows) == 8
    for value, u, rest in rows:
        *probabilities, mildest, worst, outcome = rest.split(" | ")
        size = Size(float(value), float(u))
        bounds = ladder_bounds(size, upper(*LIMITS), ISO)
        assert probabilities == [f"{size.probability_up_to(limit):.4f}" for limit in LIMITS]
        assert (bounds.mildest, bounds.worst) == (mildest, worst)
        assert outcome == (bounds.decided or f"not decided, act as {worst}")
