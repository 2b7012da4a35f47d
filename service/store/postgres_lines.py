"""Many lines into a table of PostgreSQL in one statement: each column an array, or a stream.

Errors are the driver's own.
"""

from collections.abc import Sequence
from functools import cache
from typing import Any

from psycopg import Connection as DriverConnection
from psycopg import Cursor
from sqlalchemy import Table
from sqlalchemy.dialects import postgresql
from sqlalchemy.engine import Connection

_STREAM = 100
"""From so many lines on, a stream is quicker to begin and to read than arrays."""

_DIALECT = postgresql.dialect()  # type: ignore[no-untyped-call]


def insert_lines(
    connection: Connection, lines: Sequence[tuple[Table, list[tuple[Any, ...]]]]
) -> None:
    """Insert lines, each as its table's columns are; a table has some.

    Few lines of several tables go in one round trip, and what is wrong with any is told at its end.
    """
    driver: DriverConnection[Any] | None = connection.connection.driver_connection
    assert driver is not None  # noqa: S101  # an open connection has its driver's
    few = [(table, rows) for table, rows in lines if len(rows) < _STREAM]
    if len(few) == len(lines):
        with driver.pipeline():
            for table, rows in few:
                driver.execute(_from_arrays(table), list(map(list, zip(*rows, strict=True))))
        return
    with driver.cursor() as cursor:
        for table, rows in lines:
            _insert_alone(cursor, table, rows)


def _insert_alone(cursor: Cursor[Any], table: Table, rows: list[tuple[Any, ...]]) -> None:
    if len(rows) < _STREAM:
        cursor.execute(_from_arrays(table), list(map(list, zip(*rows, strict=True))))
        return
    with cursor.copy(_from_stream(table)) as stream:
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
