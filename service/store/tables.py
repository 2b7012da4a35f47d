"""The tables, the same for every engine: the one place that says how they are.

A new store is made from here; ``migrations`` hold the way to here for stores that were made before,
and the tests hold the two equal. So whoever changes a table writes a migration with it.

``resource`` has one row per resource and points at its current row in ``version``, which is only
ever appended to. The index tables are clustered by resource, so that a new resource appends and a
changed one is cleaned up cheaply, with one covering index each for looking up values, and for dates
one for those of a patient.
"""

from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()
format_metadata = MetaData()

_Number = BigInteger().with_variant(Integer, "sqlite")
_Text = Text().with_variant(Text(collation="C"), "postgresql")
"""Compared by bytes, whatever the language of the database."""

format_ = Table("format", format_metadata, Column("number", Integer, primary_key=True))
"""Where programs from before there were revisions look whether they can read the store, if the
engine has no place of its own for that."""

revision = Table(
    "alembic_version",
    metadata,
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name="alembic_version_pkc"),
)
"""The last migration that the store is past: the table that alembic keeps, as it makes it."""

resource = Table(
    "resource",
    metadata,
    Column("key", _Number, primary_key=True, autoincrement=False),
    Column("type", _Text, nullable=False),
    Column("id", _Text, nullable=False),
    Column("current", _Number, nullable=False),
    Column("instant", BigInteger, nullable=False),
    Column("deleted", Boolean(create_constraint=False), nullable=False),
    UniqueConstraint("type", "id"),
    Index("resource_by_type", "type", "key", "deleted", "instant"),
)
"""``instant`` (microseconds since 1970, UTC) is that of the current version."""

version = Table(
    "version",
    metadata,
    Column("number", _Number, primary_key=True, autoincrement=False),
    Column("type", _Text, nullable=False),
    Column("id", _Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("instant", BigInteger, nullable=False),
    Column("deleted", Boolean(create_constraint=False), nullable=False),
    Column("body", LargeBinary, nullable=False),
    UniqueConstraint("type", "id", "version"),
    Index("version_by_type", "type", "number", "instant"),
)
"""``number`` is the order of commits over all resources."""

outbox = Table(
    "outbox",
    metadata,
    Column("number", _Number, ForeignKey("version.number"), primary_key=True, autoincrement=False),
    Column("type", _Text, nullable=False),
    Column("id", _Text, nullable=False),
    Column("version", Integer, nullable=False),
)

release = Table(
    "release",
    metadata,
    Column("name", _Text, primary_key=True),
    Column("made", BigInteger, nullable=False),
    Column("body", LargeBinary, nullable=False),
)

fact = Table(
    "fact",
    metadata,
    Column("name", _Text, primary_key=True),
    Column("value", _Text, nullable=False),
)
"""What is known about the store itself."""


def _index_table(name: str, values: list[Column[Any]], look_up: list[str], *more: Index) -> Table:
    """Clustered by resource; ``look_up`` are the columns that a search value is found by."""
    names = [column.name for column in values]
    return Table(
        name,
        metadata,
        Column("resource", _Number, nullable=False, primary_key=True),
        Column("parameter", _Text, nullable=False, primary_key=True),
        *values,
        Column("type", _Text, nullable=False),
        Index(f"{name}_by_value", "type", "parameter", *look_up, "resource"),
        *more,
        sqlite_with_rowid=False,
        info={"values": names},
    )


def _value(name: str, kind: Any = _Text) -> Column[Any]:
    return Column(name, kind, nullable=False, primary_key=True)


token = _index_table("token", [_value("system"), _value("code")], ["code", "system"])
reference = _index_table(
    "reference", [_value("target_type"), _value("target")], ["target", "target_type"]
)
date = _index_table(
    "date",
    [_value("low", BigInteger), _value("high", BigInteger), _value("patient")],
    ["low", "high"],
    Index("date_by_patient", "type", "parameter", "patient", "low", "high", "resource"),
)
"""A line for each ``patient`` whom the resource is about, or one with an empty text (more in
``index.lines``): what befell one patient in a time lies side by side, however many there are."""
string = _index_table("string", [_value("folded"), _value("text")], ["folded"])
quantity = _index_table(
    "quantity",
    [_value("low"), _value("high"), _value("system"), _value("code")],
    ["low", "high", "code", "system"],
)
"""Numbers as text that sorts as the numbers do: see ``sortable``."""
uri = _index_table("uri", [_value("uri")], ["uri"])

INDEX = (token, reference, date, string, quantity, uri)
