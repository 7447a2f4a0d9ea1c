"""Runs the steps on the connection that is handed in, all in the one transaction that it has begun."""

from __future__ import annotations

from alembic import context

from fringewise.archive.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    transactional_ddl=True,
    render_as_batch=True,
)
context.run_migrations()
