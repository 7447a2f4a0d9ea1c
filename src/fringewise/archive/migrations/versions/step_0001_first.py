"""The first schema: entries in a chain, objects, and what lists show."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Take the step."""
    _entries()
    _lists()


def _entries() -> None:
    number = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "entry",
        sa.Column("sequence", number, nullable=False, autoincrement=False),
        sa.Column("inspection", sa.String(200), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("subject", sa.String(700), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("author", sa.String(200), nullable=False),
        sa.Column("at", sa.String(40), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("previous", sa.String(64), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("sequence", name="pk_entry"),
        sa.UniqueConstraint(
            "inspection", "kind", "subject", "version", name="uq_entry_inspection_kind_subject_version"
        ),
    )
    op.create_index("ix_entry_inspection_sequence", "entry", ["inspection", "sequence"])
    op.create_index("ix_entry_kind_sequence", "entry", ["kind", "sequence"])
    op.create_table(
        "head",
        sa.Column("id", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("sequence", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_head"),
    )
    head = sa.table("head", sa.column("id"), sa.column("sequence"), sa.column("sha256"))
    op.execute(head.insert().values(id=1, sequence=0, sha256="0" * 64))
    op.create_table(
        "object",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_object"),
    )


def _lists() -> None:
    op.create_table(
        "inspection",
        sa.Column("identity", sa.String(200), nullable=False),
        sa.Column("order", sa.String(500), nullable=False),
        sa.Column("engine", sa.String(500), nullable=False),
        sa.Column("engine_type", sa.String(500), nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("outcome", sa.String(40), nullable=False),
        sa.Column("looks", sa.Integer(), nullable=False),
        sa.Column("looks_left", sa.Integer(), nullable=False),
        sa.Column("findings", sa.Integer(), nullable=False),
        sa.Column("invented", sa.Boolean(), nullable=False),
        sa.Column("begun_at", sa.String(40), nullable=False),
        sa.Column("changed_at", sa.String(40), nullable=False),
        sa.PrimaryKeyConstraint("identity", name="pk_inspection"),
    )
    lists = (
        ["changed_at"], ["engine", "changed_at"], ["state", "changed_at"], ["outcome", "changed_at"],
    )  # fmt: skip
    for names in lists:
        op.create_index(f"ix_inspection_{'_'.join(names)}", "inspection", names)
    op.create_table(
        "finding",
        sa.Column("inspection", sa.String(200), nullable=False),
        sa.Column("capture", sa.String(64), nullable=False),
        sa.Column("identity", sa.String(500), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("look", sa.String(700), nullable=False),
        sa.Column("stage", sa.String(500), nullable=False),
        sa.Column("item", sa.String(500), nullable=False),
        sa.Column("zone", sa.String(500), nullable=False),
        sa.Column("damage", sa.String(500), nullable=False),
        sa.Column("status", sa.String(20), nullable=False),
        sa.Column("outcome", sa.String(40), nullable=False),
        sa.PrimaryKeyConstraint("inspection", "capture", "identity", name="pk_finding"),
    )
    found = (["inspection"], ["kind", "inspection"], ["outcome", "inspection"], ["damage", "inspection"])
    indexes = [[*names, "identity"] for names in (*found, ["stage", "item", "inspection"])]
    for names in indexes:
        op.create_index(f"ix_finding_{'_'.join(names)}", "finding", names)
