"""Lists and pages are answered from indexes, so that they don't slow down as an archive grows.

Times as an archive grows to 100,000 findings are in ``benchmarks/archive.json``; here the plans count.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from fringewise.archive.archive import Page, SqlArchive
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects

QUESTIONS: dict[str, Callable[[SqlArchive], object]] = {
    "inspections": lambda archive: archive.inspections(),
    "inspections of an engine": lambda archive: archive.inspections(engine="D-0007"),
    "inspections signed": lambda archive: archive.inspections(state="signed"),
    "inspections to reject": lambda archive: archive.inspections(outcome="reject"),
    "findings": lambda archive: archive.findings(),
    "findings, a later page": lambda archive: archive.findings(Page(50, 500)),
    "findings of an inspection": lambda archive: archive.findings(inspection="W-1"),
    "findings of a kind": lambda archive: archive.findings(kind="dent"),
    "findings to reject": lambda archive: archive.findings(outcome="reject"),
    "findings of a damage": lambda archive: archive.findings(damage="N-1"),
    "findings of a blade": lambda archive: archive.findings(stage="compressor 3", item="7"),
    "one inspection": lambda archive: archive.entries("W-1"),
    "one person": lambda archive: archive.person("A"),
    "one capture": lambda archive: archive.about("intake", "a" * 64),
    "whether a file is here": lambda archive: archive.holds("a" * 64),
}


def plans_of(archive: SqlArchive, ask: Callable[[SqlArchive], object]) -> list[str]:
    """Steps of SQLite's plans for every statement that a question needs."""
    asked: list[tuple[str, Any]] = []

    def note(_c: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, _many: bool) -> None:
        if statement.startswith("SELECT"):
            asked.append((statement, parameters))

    event.listen(archive.engine, "before_cursor_execute", note)
    ask(archive)
    event.remove(archive.engine, "before_cursor_execute", note)
    with archive.engine.connect() as connection:
        return [
            str(row[3])
            for statement, parameters in asked
            for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
        ]


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_question_is_answered_from_an_index(tmp_path: Path, question: str) -> None:
    archive = SqlArchive(open_database(tmp_path / "a.sqlite"), FolderObjects(tmp_path / "objects"))
    plans = plans_of(archive, QUESTIONS[question])
    archive.close()
    assert plans
    for step in plans:
        assert "INDEX" in step, step
        assert "TEMP B-TREE" not in step, step


def test_a_question_without_an_index_would_be_found(tmp_path: Path) -> None:
    archive = SqlArchive(open_database(tmp_path / "a.sqlite"), FolderObjects(tmp_path / "objects"))
    plans = plans_of(archive, lambda one: one.findings(zone="tip"))
    archive.close()
    assert any("SCAN" in step for step in plans)
