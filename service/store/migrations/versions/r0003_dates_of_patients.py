"""The lines of dates say whose the resource is, so that one patient's lie side by side."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

_NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")
_TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    # A table that is renamed would keep the names of its constraints, which the new one needs.
    op.execute("CREATE TABLE date_before AS SELECT * FROM date ORDER BY resource")
    op.drop_table("date")
    _create_table()
    _fill_table()
    op.drop_table("date_before")
    spans = ["low", "high", "resource"]
    op.create_index("date_by_value", "date", ["type", "parameter", *spans])
    op.create_index("date_by_patient", "date", ["type", "parameter", "patient", *spans])
    if op.get_bind().dialect.name == "postgresql":
        op.execute("ANALYZE date")


def _create_table() -> None:
    op.create_table(
        "date",
        _key("resource", _NUMBER),
        _key("parameter", _TEXT),
        _key("low", sa.BigInteger()),
        _key("high", sa.BigInteger()),
        _key("patient", _TEXT),
        sa.Column("type", _TEXT, nullable=False),
        sqlite_with_rowid=False,
    )


def _key(name: str, kind: Any) -> sa.Column[Any]:
    return sa.Column(name, kind, primary_key=True)


def _fill_table() -> None:
    """In the order of the old table, line by line: nothing is gathered, however many there are."""
    op.execute(
        "INSERT INTO date (resource, parameter, low, high, patient, type)"
        " SELECT before.resource, before.parameter, before.low, before.high,"
        " CASE whose.parameter WHEN 'patient' THEN whose.target"
        " WHEN 'subject' THEN '/' || whose.target ELSE '' END, before.type"
        " FROM date_before AS before LEFT JOIN reference AS whose"
        " ON whose.resource = before.resource AND whose.target_type = 'Patient'"
        " AND (whose.parameter = 'patient' OR whose.parameter = 'subject' AND NOT EXISTS ("
        "SELECT 1 FROM reference AS same WHERE same.resource = whose.resource"
        " AND same.parameter = 'patient' AND same.target_type = 'Patient'"
        " AND same.target = whose.target))"
    )
