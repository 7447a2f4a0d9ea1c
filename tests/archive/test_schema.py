"""The schema that the steps make is the one that the program uses; a step that fails leaves the old state."""

from __future__ import annotations

from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import text

from fringewise.archive import schema
from fringewise.archive.archive import SqlArchive
from fringewise.archive.database import open_database, writing
from fringewise.archive.objects import FolderObjects
from fringewise.archive.tables import METADATA
from fringewise.core.errors import InputRefused, PlaceUnusable


def test_the_steps_make_the_tables_that_the_program_uses(archive: SqlArchive) -> None:
    with archive.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []
        assert schema.schema_version(connection) == schema.newest_version()


def test_a_step_that_fails_leaves_the_old_state(database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    engine = open_database(database_url)

    def broken(connection: object) -> object:
        config = _config(connection)  # type: ignore[arg-type]
        with_tables = text("CREATE TABLE entry (wrong INTEGER)")
        connection.execute(with_tables)  # type: ignore[attr-defined]
        return config

    _config = schema._config
    monkeypatch.setattr(schema, "_config", broken)
    with pytest.raises(PlaceUnusable):
        schema.bring_up(engine)
    monkeypatch.undo()
    with engine.connect() as connection:
        assert schema.schema_version(connection) is None
    schema.bring_up(engine)
    engine.dispose()


def test_an_archive_of_a_newer_program_is_refused(archive: SqlArchive, tmp_path: Path) -> None:
    with writing(archive.engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(PlaceUnusable, match="made by a newer program"):
        SqlArchive(archive.engine, FolderObjects(tmp_path / "objects"))


def test_a_database_of_something_else_is_left_alone(database_url: str) -> None:
    engine = open_database(database_url)
    with writing(engine) as connection:
        connection.execute(text("CREATE TABLE recipes (cake TEXT)"))
    with pytest.raises(PlaceUnusable, match="tables of something else"):
        schema.bring_up(engine)
    engine.dispose()


@pytest.mark.parametrize("url", ["archive.sqlite", "mysql://x@y/z", "sqlite://", "postgres", ""])
def test_other_databases_are_refused_in_words(url: str) -> None:
    with pytest.raises(InputRefused, match="must be sqlite:///PATH or postgresql://"):
        open_database(url)
