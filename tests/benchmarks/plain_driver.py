"""The driver of each engine alone, set up as the store sets it up: the peer of what is written."""

import sqlite3
from pathlib import Path

import psycopg
from engines import postgres_address
from sqlalchemy import LargeBinary, Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from service.store import tables

TABLES = (tables.version, tables.outbox, tables.resource, *tables.INDEX)
"""What a written resource leaves lines in."""

Lines = dict[Table, list[tuple]]


class Sqlite:
    """Write-ahead log, ``synchronous = FULL``."""

    mark = "?"

    def __init__(self, folder: Path) -> None:
        self.connection = sqlite3.connect(folder / "store.db", isolation_level=None)
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            self.connection.execute(f"PRAGMA {pragma}")
        self.dialect = sqlite.dialect()

    def insert(self, batch: Lines) -> None:
        """One transaction."""
        self.connection.execute("BEGIN IMMEDIATE")
        for table, rows in batch.items():
            self.connection.executemany(_insertion(table, self.mark), rows)
        self.connection.execute("COMMIT")

    def run(self, text: str, *values):
        return self.connection.execute(text.replace("%s", self.mark), values).fetchall()


class Postgres:
    """A server's defaults: fsync, ``synchronous_commit = on``.

    ``copy`` instead of multiple inserts when asked for.
    """

    mark = "%s"

    def __init__(self, folder: Path, *, copy: bool = False) -> None:
        self.address = postgres_address(folder)
        self.connection = psycopg.connect(self.address, autocommit=True)
        self.dialect = postgresql.dialect()
        self.copy = copy

    def insert(self, batch: Lines) -> None:
        """One transaction."""
        with self.connection.transaction(), self.connection.cursor() as cursor:
            for table, rows in batch.items():
                if not self.copy:
                    cursor.executemany(_insertion(table, self.mark), rows)
                    continue
                with cursor.copy(f"COPY {table.name} ({_columns(table)}) FROM STDIN") as into:
                    for row in rows:
                        into.write_row(row)

    def run(self, text: str, *values):
        cursor = self.connection.execute(text, values)
        return cursor.fetchall() if cursor.description else []


DRIVERS = {"sqlite": Sqlite, "postgresql": Postgres}


def make_tables(driver) -> None:
    """Tables and indexes, empty, as the store has them."""
    for table in TABLES:
        driver.run(str(CreateTable(table).compile(dialect=driver.dialect)))
        for one in table.indexes:
            driver.run(str(CreateIndex(one).compile(dialect=driver.dialect)))


def lines_between(source, first: int, last: int) -> Lines:
    """Every line of the resources with these keys.

    Each has one version, so that keys and version numbers go together.
    """
    found = {table: _between(source, table, first, last) for table in TABLES}
    return {table: lines for table, lines in found.items() if lines}


def last_key(source) -> int:
    return source.run("SELECT coalesce(max(key), 0) FROM resource")[0][0]


def _between(source, table: Table, first: int, last: int) -> list[tuple]:
    key = {"version": "number", "outbox": "number", "resource": "key"}.get(table.name, "resource")
    asked = f"SELECT {_columns(table)} FROM {table.name} WHERE {key} BETWEEN %s AND %s ORDER BY 1"  # noqa: S608
    bodies = [place for place, one in enumerate(table.columns) if isinstance(one.type, LargeBinary)]
    lines = source.run(asked, first, last)
    return [
        tuple(bytes(value) if place in bodies else value for place, value in enumerate(line))
        for line in lines
    ]


def _columns(table: Table) -> str:
    return ", ".join(f'"{column.name}"' for column in table.columns)


def _insertion(table: Table, mark: str) -> str:
    marks = ", ".join(mark for _ in table.columns)
    return f"INSERT INTO {table.name} ({_columns(table)}) VALUES ({marks})"  # noqa: S608
