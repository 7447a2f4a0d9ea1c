"""Opening a database: SQLite beside the engine, PostgreSQL in a shop; writing is one at a time in both."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from fringewise.core.errors import PlaceUnusable, refuse

_WAIT_S: Final = 20.0
_WRITING: Final = "fringewise_writing"


def open_database(url: str | Path) -> Engine:
    """Give an engine for a database's URL.

    Parameters
    ----------
    url : str or Path
        ``sqlite:///path`` or ``postgresql://…``; a path is that of an SQLite file.

    Raises
    ------
    InputRefused
        The URL is none of these.
    PlaceUnusable
        The driver for PostgreSQL is not installed.
    """
    where = URL.create("sqlite", database=str(url)) if isinstance(url, Path) else _url(url)
    if where.get_backend_name() == "sqlite":
        engine = create_engine(where, connect_args={"timeout": _WAIT_S, "check_same_thread": False})
        event.listen(engine, "connect", _on_sqlite_connect)
        event.listen(engine, "begin", _on_sqlite_begin)
        return engine
    try:
        return create_engine(where, pool_size=8, max_overflow=24, pool_pre_ping=True)
    except ModuleNotFoundError as error:
        raise PlaceUnusable(
            'PostgreSQL needs its driver: install it with pip install "fringewise[shop]"'
        ) from error


def _url(url: str) -> URL:
    rule = "must be sqlite:///PATH or postgresql://USER@HOST/NAME"
    try:
        where = make_url(url)
        backend = where.get_backend_name()
    except (ArgumentError, NoSuchModuleError, ValueError) as error:
        raise refuse("archive", "", rule, _without_password(url)) from error
    if backend == "sqlite" and where.database not in {None, "", ":memory:"}:
        return where
    if backend == "postgresql":
        return where.set(drivername="postgresql+psycopg")
    raise refuse("archive", "", rule, _without_password(url))


def _without_password(url: str) -> str:
    head, at, tail = url.rpartition("@")
    return f"{head.partition('://')[0]}://…@{tail}" if at else url


@contextlib.contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Give a connection that sees one state of the database throughout."""
    with _plain_errors(engine):
        options = {} if engine.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
        with engine.connect().execution_options(**options) as connection, connection.begin():
            yield connection


@contextlib.contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """Give a connection whose changes come to hold all together at the end, or not at all."""
    with (
        _plain_errors(engine),
        engine.connect().execution_options(**{_WRITING: True}) as connection,
        connection.begin(),
    ):
        yield connection


@contextlib.contextmanager
def _plain_errors(engine: Engine) -> Iterator[None]:
    try:
        yield
    except (DBAPIError, sqlite3.Error, UnicodeDecodeError) as error:  # the last: SQLite quotes spoilt bytes
        cause = " ".join(str(getattr(error, "orig", None) or error).split())
        place = engine.url.render_as_string(hide_password=True)
        raise PlaceUnusable(f"the archive at {place} can't be used: {cause}") from error


def _on_sqlite_connect(connection: Any, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, those that change the schema too
    cursor = connection.cursor()
    for setting in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", "busy_timeout = 20000"):
        with contextlib.suppress(sqlite3.OperationalError):  # a read-only place has no journal to choose
            cursor.execute(f"PRAGMA {setting}")
    cursor.close()


def _on_sqlite_begin(connection: Connection) -> None:
    immediate = connection.get_execution_options().get(_WRITING, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")
