"""Bringing an archive's database to the schema of this program; a step that fails leaves the old state."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Connection, Engine, inspect

from fringewise.archive.database import reading, writing
from fringewise.core.errors import PlaceUnusable

_STEPS: Final = Path(__file__).with_name("migrations")


def bring_up(engine: Engine) -> None:
    """Make the tables, or upgrade those of an earlier program, in one transaction.

    Raises
    ------
    PlaceUnusable
        The archive was made by a newer program, or the database is used for something else.
    """
    with reading(engine) as connection:
        if schema_version(connection) == newest_version():
            return
    with writing(engine) as connection:
        _check(connection)
        try:
            command.upgrade(_config(connection), "head")
        except CommandError as error:
            raise PlaceUnusable(f"the archive's schema can't be upgraded: {error}") from error


def schema_version(connection: Connection) -> str | None:
    """Give the schema's version; None where there is no archive yet."""
    return MigrationContext.configure(connection).get_current_revision()


def newest_version() -> str | None:
    """Give the schema version that this program writes."""
    return ScriptDirectory(str(_STEPS)).get_current_head()


def _check(connection: Connection) -> None:
    version = schema_version(connection)
    known = {one.revision for one in ScriptDirectory(str(_STEPS)).walk_revisions()}
    if version is not None and version not in known:
        raise PlaceUnusable(
            f"the archive's schema {version} was made by a newer program: use that one, or a later one"
        )
    if version is None and inspect(connection).get_table_names():
        raise PlaceUnusable("the database holds tables of something else: name an empty one for the archive")


def _config(connection: Connection) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_STEPS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config
