"""Versions, the current one of each resource, the outbox, releases, and six index tables."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")
_TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "resource",
        sa.Column("key", _NUMBER, primary_key=True, autoincrement=False),
        *_named(),
        sa.Column("current", _NUMBER, nullable=False),
        *_dated(),
        sa.UniqueConstraint("type", "id"),
    )
    op.create_index("resource_by_type", "resource", ["type", "key", "deleted", "instant"])
    op.create_table(
        "version",
        sa.Column("number", _NUMBER, primary_key=True, autoincrement=False),
        *_named(),
        sa.Column("version", sa.Integer, nullable=False),
        *_dated(),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint("type", "id", "version"),
    )
    op.create_index("version_by_type", "version", ["type", "number", "instant"])
    op.create_table(
        "outbox",
        sa.Column(
            "number",
            _NUMBER,
            sa.ForeignKey("version.number"),
            primary_key=True,
            autoincrement=False,
        ),
        *_named(),
        sa.Column("version", sa.Integer, nullable=False),
    )
    op.create_table(
        "release",
        sa.Column("name", _TEXT, primary_key=True),
        sa.Column("made", sa.BigInteger, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
    )
    _create_index_tables()


def _create_index_tables() -> None:
    _index_table("token", ["system", "code"], ["code", "system"])
    _index_table("reference", ["target_type", "target"], ["target", "target_type"])
    _index_table("date", ["low", "high"], ["low", "high"], sa.BigInteger())
    _index_table("string", ["folded", "text"], ["folded"])
    _index_table("quantity", ["low", "high", "system", "code"], ["low", "high", "code", "system"])
    _index_table("uri", ["uri"], ["uri"])


def _index_table(name: str, values: list[str], look_up: list[str], kind: Any = _TEXT) -> None:
    op.create_table(
        name,
        sa.Column("resource", _NUMBER, primary_key=True),
        sa.Column("parameter", _TEXT, primary_key=True),
        *(sa.Column(value, kind, primary_key=True) for value in values),
        sa.Column("type", _TEXT, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_index(f"{name}_by_value", name, ["type", "parameter", *look_up, "resource"])


def _named() -> list[sa.Column[Any]]:
    return [sa.Column("type", _TEXT, nullable=False), sa.Column("id", _TEXT, nullable=False)]


def _dated() -> list[sa.Column[Any]]:
    return [
        sa.Column("instant", sa.BigInteger, nullable=False),
        sa.Column("deleted", sa.Boolean(create_constraint=False), nullable=False),
    ]
