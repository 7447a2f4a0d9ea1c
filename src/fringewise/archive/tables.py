"""The archive's tables. `entry` is what counts; all others but `object` can be made again from it."""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

METADATA: Final = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

ENTRY: Final = Table(
    "entry",
    METADATA,
    Column("sequence", BigInteger().with_variant(Integer, "sqlite"), primary_key=True, autoincrement=False),
    Column("inspection", String(200), nullable=False),
    Column("kind", String(40), nullable=False),
    Column("subject", String(700), nullable=False),
    Column("version", Integer, nullable=False),
    Column("author", String(200), nullable=False),
    Column("at", String(40), nullable=False),
    Column("reason", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("previous", String(64), nullable=False),
    Column("sha256", String(64), nullable=False),
    UniqueConstraint("inspection", "kind", "subject", "version"),
    Index(None, "inspection", "sequence"),
    Index(None, "kind", "sequence"),
)

HEAD: Final = Table(
    "head",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("sequence", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
)

OBJECT: Final = Table(
    "object",
    METADATA,
    Column("sha256", String(64), primary_key=True),
    Column("bytes", BigInteger, nullable=False),
)

INSPECTION: Final = Table(
    "inspection",
    METADATA,
    Column("identity", String(200), primary_key=True),
    Column("order", String(500), nullable=False),
    Column("engine", String(500), nullable=False),
    Column("engine_type", String(500), nullable=False),
    Column("state", String(20), nullable=False),
    Column("outcome", String(40), nullable=False),
    Column("looks", Integer, nullable=False),
    Column("looks_left", Integer, nullable=False),
    Column("findings", Integer, nullable=False),
    Column("invented", Boolean, nullable=False),
    Column("begun_at", String(40), nullable=False),
    Column("changed_at", String(40), nullable=False),
    Index(None, "changed_at"),
    Index(None, "engine", "changed_at"),
    Index(None, "state", "changed_at"),
    Index(None, "outcome", "changed_at"),
)

FINDING: Final = Table(
    "finding",
    METADATA,
    Column("inspection", String(200), primary_key=True),
    Column("capture", String(64), primary_key=True),
    Column("identity", String(500), primary_key=True),
    Column("kind", String(40), nullable=False),
    Column("look", String(700), nullable=False),
    Column("stage", String(500), nullable=False),
    Column("item", String(500), nullable=False),
    Column("zone", String(500), nullable=False),
    Column("damage", String(500), nullable=False),
    Column("status", String(20), nullable=False),
    Column("outcome", String(40), nullable=False),
    Index(None, "inspection", "identity"),
    Index(None, "kind", "inspection", "identity"),
    Index(None, "outcome", "inspection", "identity"),
    Index(None, "damage", "inspection", "identity"),
    Index(None, "stage", "item", "inspection", "identity"),
)
