"""Archives of every schema that was ever written open and upgrade, on both databases."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, inspect

from fringewise.archive import schema
from fringewise.archive.archive import SqlArchive
from fringewise.archive.audit import audit
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.core.errors import FringewiseError
from fringewise.record.inspection import inspection_of

KEPT = Path(__file__).with_name("kept")
VERSIONS = sorted(path.stem.removeprefix("schema_") for path in KEPT.glob("schema_*.sqlite"))

GOOD_STEP = """
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "9001", "{before}", None, None


def upgrade():
    op.create_table("remark", sa.Column("id", sa.Integer(), primary_key=True))
    with op.batch_alter_table("inspection") as table:
        table.add_column(sa.Column("colour", sa.String(20), nullable=False, server_default="red"))
"""
BROKEN_STEP = (
    GOOD_STEP
    + """
    op.execute("UPDATE inspection SET no_such_column = 1")
"""
)


def test_there_is_a_kept_archive_of_every_schema() -> None:
    steps = ScriptDirectory(str(schema._STEPS)).walk_revisions()
    assert sorted(one.revision for one in steps) == VERSIONS
    assert all((KEPT / f"schema_{one}.postgres.sql").exists() for one in VERSIONS)


def kept(version: str, url: str) -> Engine:
    """Put a kept archive into a new database."""
    if url.startswith("sqlite"):
        shutil.copy(KEPT / f"schema_{version}.sqlite", Path(url.removeprefix("sqlite:///")))
        return open_database(url)
    engine = open_database(url)
    statements = (KEPT / f"schema_{version}.postgres.sql").read_text(encoding="utf-8")
    with engine.connect() as connection, connection.begin():
        cursor = connection.connection.cursor()
        cursor.execute(statements)
        cursor.execute("SET search_path TO public")
    engine.dispose()
    return engine


def check(archive: SqlArchive) -> None:
    """The kept archive says what it said when it was written."""
    archive.objects.keep(io.BytesIO(b"a photo"))
    inspection = inspection_of(archive.entries("W-1"))
    assert inspection.state == "signed"
    assert [one.identity for one in inspection.all_findings] == ["F1", "F2"]
    assert [one.words for one in inspection.doubts.values()] == ["the head fell"]
    person = archive.person("B")
    assert person is not None
    assert (person.scope, str(person.valid_until)) == ("compressor", "2027-01-01")
    assert audit(archive).faults == ()


@pytest.mark.parametrize("version", VERSIONS)
def test_a_kept_archive_opens_and_is_whole(version: str, database_url: str, tmp_path: Path) -> None:
    archive = SqlArchive(kept(version, database_url), FolderObjects(tmp_path / "objects"))
    check(archive)
    with archive.engine.connect() as connection:
        assert schema.schema_version(connection) == schema.newest_version()
    archive.close()


@pytest.mark.parametrize("version", VERSIONS[-1:])
def test_a_next_step_upgrades_or_leaves_the_old_state(
    version: str, database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = kept(version, database_url)
    steps = tmp_path / "steps"
    shutil.copytree(schema._STEPS, steps, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(schema, "_STEPS", steps)
    step = steps / "versions" / "step_9001.py"
    step.write_text(BROKEN_STEP.format(before=version))
    with pytest.raises(FringewiseError):
        schema.bring_up(engine)
    with engine.connect() as connection:
        assert schema.schema_version(connection) == version
        names = {column["name"] for column in inspect(connection).get_columns("inspection")}
        assert "colour" not in names
        assert "remark" not in inspect(connection).get_table_names()
    step.write_text(GOOD_STEP.format(before=version))
    shutil.rmtree(steps / "versions" / "__pycache__", ignore_errors=True)
    schema.bring_up(engine)
    with engine.connect() as connection:
        assert schema.schema_version(connection) == "9001"
        assert connection.exec_driver_sql("SELECT colour FROM inspection").scalar() == "red"
    engine.dispose()
