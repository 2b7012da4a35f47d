"""Many lines into a table of PostgreSQL in one statement: each column an array, or a stream."""

from functools import cache
from typing import Any

from psycopg import Connection as DriverConnection
from sqlalchemy import Table
from sqlalchemy.dialects import postgresql
from sqlalchemy.engine import Connection

_STREAM = 100
"""From so many lines on, a stream is quicker to begin and to read than arrays."""

_DIALECT = postgresql.dialect()  # type: ignore[no-untyped-call]


def insert_lines(connection: Connection, table: Table, rows: list[tuple[Any, ...]]) -> None:
    """Insert lines, each as the table's columns are."""
    if len(rows) < _STREAM:
        arrays = tuple(map(list, zip(*rows, strict=True)))
        connection.exec_driver_sql(_from_arrays(table), arrays)
        return
    driver: DriverConnection[Any] | None = connection.connection.driver_connection
    assert driver is not None  # noqa: S101  # an open connection has its driver's
    with driver.cursor() as cursor, cursor.copy(_from_stream(table)) as stream:
        stream.set_types(_types(table))
        for row in rows:
            stream.write_row(row)


@cache
def _from_arrays(table: Table) -> str:
    arrays = ", ".join(f"%s::{type_}[]" for type_ in _types(table))
    return f"INSERT INTO {table.name} ({_columns(table)}) SELECT * FROM unnest({arrays})"  # noqa: S608


@cache
def _from_stream(table: Table) -> str:
    return f"COPY {table.name} ({_columns(table)}) FROM STDIN (FORMAT BINARY)"


def _columns(table: Table) -> str:
    return ", ".join(f'"{column.name}"' for column in table.columns)


@cache
def _types(table: Table) -> list[str]:
    told = (column.type.compile(_DIALECT) for column in table.columns)
    return [name.partition(" ")[0].lower() for name in told]
