# ruff: noqa: T201, S608
"""A load of session Observations with everything that belongs to it, beside a bare insert.

By hand, from the project's folder (rows are 50,000 unless told otherwise):

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_load.py [rows]

For each engine, in one run: the rows are loaded (read, checked in full against R4 and profiles,
indexed, versions compared, Provenance, outbox), then loaded again (all unchanged), then the very
rows of every table that the load left are inserted into a new store by a plain loop of the same
driver, batch by batch as they were committed, prepared beforehand: only inserting is timed. The
machine's cores are shared by everything that runs, a database server too.
"""

import os
import random
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import psycopg
from documents import session_observations
from engines import ENGINES, postgres_address
from sqlalchemy import LargeBinary, Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from service.compose import build_maker, build_record
from service.fhir.json import JsonObject, write
from service.record import Actor
from service.record.bulk import Loading, rows_of
from service.record.bulk.rows import BATCH_ROWS
from service.store import tables

ROWS = 50_000
BY = Actor("A benchmark")
TABLES = tables.metadata.sorted_tables


def observations(count: int) -> Iterator[bytes]:
    """Session Observations of the invented clinic, each with an id, child and times of its own."""
    patterns, chance = session_observations(), random.Random(4)  # noqa: S311
    for number in range(count):
        yield write(_one(chance.choice(patterns), number, chance)) + b"\n"


def _one(pattern: JsonObject, number: int, chance: random.Random) -> JsonObject:
    day, minute = divmod(number, 24 * 60)
    start = f"2026-{day % 12 + 1:02d}-{day % 28 + 1:02d}T{minute // 60:02d}:{minute % 60:02d}"
    child = f"child-{chance.randrange(500)}"
    return pattern | {
        "id": f"session-{number}",
        "identifier": [{"system": "https://clinic.example/log", "value": f"S-{number}"}],
        "subject": {"reference": f"Patient/{child}"},
        "effectivePeriod": {"start": f"{start}:00+01:00", "end": f"{start}:59+01:00"},
    }


def loaded(record, maker, rows: list[bytes]) -> tuple[float, Counter]:
    """Rows a second, and how they ended."""
    began, ends = time.perf_counter(), Counter()
    for told in Loading(record, BY, build_maker, here=maker).take(rows_of(rows)):
        ends.update(told.done)
        ends["refused"] += len(told.refused)
    return len(rows) / (time.perf_counter() - began), ends


class Sqlite:
    """The driver alone, with the settings of the store."""

    mark = "?"

    def __init__(self, folder: Path) -> None:
        self.connection = sqlite3.connect(folder / "store.db", isolation_level=None)
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
            self.connection.execute(f"PRAGMA {pragma}")
        self.dialect = sqlite.dialect()

    def insert(self, batch: dict[Table, list[tuple]]) -> None:
        self.connection.execute("BEGIN IMMEDIATE")
        for table, rows in batch.items():
            self.connection.executemany(statement(table, self.mark), rows)
        self.connection.execute("COMMIT")

    def run(self, text: str, *values):
        return self.connection.execute(text.replace("%s", self.mark), values).fetchall()


class Postgres:
    """The driver alone; ``copy`` instead of multiple inserts when asked for."""

    mark = "%s"

    def __init__(self, folder: Path, *, copy: bool = False) -> None:
        self.connection = psycopg.connect(postgres_address(folder), autocommit=True)
        self.dialect = postgresql.dialect()
        self.copy = copy

    def insert(self, batch: dict[Table, list[tuple]]) -> None:
        with self.connection.transaction(), self.connection.cursor() as cursor:
            for table, rows in batch.items():
                if not self.copy:
                    cursor.executemany(statement(table, self.mark), rows)
                    continue
                with cursor.copy(f"COPY {table.name} ({columns(table)}) FROM STDIN") as into:
                    for row in rows:
                        into.write_row(row)

    def run(self, text: str, *values):
        cursor = self.connection.execute(text, values)
        return cursor.fetchall() if cursor.description else []


def columns(table: Table) -> str:
    return ", ".join(f'"{column.name}"' for column in table.columns)


def statement(table: Table, mark: str) -> str:
    marks = ", ".join(mark for _ in table.columns)
    return f"INSERT INTO {table.name} ({columns(table)}) VALUES ({marks})"


def bare(source, target, rows: int) -> float:
    """Rows a second of inserting what ``source`` has, in the batches in which it was committed."""
    for table in TABLES:
        target.run(str(CreateTable(table).compile(dialect=target.dialect)))
        for one in table.indexes:
            target.run(str(CreateIndex(one).compile(dialect=target.dialect)))
    taken, first = 0.0, 1
    last = source.run("SELECT max(key) FROM resource")[0][0]
    while first <= last:
        batch = {table: between(source, table, first, first + BATCH_ROWS) for table in TABLES}
        began = time.perf_counter()
        target.insert({table: lines for table, lines in batch.items() if lines})
        taken += time.perf_counter() - began
        first += BATCH_ROWS + 1  # one more for the Provenance of the batch
    return rows / taken


def between(source, table: Table, first: int, last: int) -> list[tuple]:
    """Each resource has one version here, so that keys and numbers go together."""
    key = {"version": "number", "outbox": "number", "resource": "key"}.get(table.name, "resource")
    if table.name == "release":
        return []
    asked = f"SELECT {columns(table)} FROM {table.name} WHERE {key} BETWEEN %s AND %s ORDER BY 1"
    bodies = [place for place, one in enumerate(table.columns) if isinstance(one.type, LargeBinary)]
    lines = source.run(asked, first, last)
    return [
        tuple(bytes(value) if place in bodies else value for place, value in enumerate(line))
        for line in lines
    ]


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    maker = build_maker()
    rows = list(observations(count))
    size = sum(map(len, rows)) / count
    print(f"{count} session Observations of {size:.0f} bytes, {os.cpu_count()} cores")
    for engine, opened in ENGINES.items():
        folders = [Path(tempfile.mkdtemp()) for _ in range(3)]
        store = opened(folders[0])
        record = build_record(store, maker.validator)
        first, ends = loaded(record, maker, rows)
        assert ends == {"created": count, "refused": 0}, ends
        again, ends = loaded(record, maker, rows)
        assert ends == {"unchanged": count, "refused": 0}, ends
        store.close()
        driver = Sqlite if engine == "sqlite" else Postgres
        source = driver(folders[0])
        lines = sum(source.run(f"SELECT count(*) FROM {table.name}")[0][0] for table in TABLES)
        plain = bare(source, driver(folders[1]), count)
        print(f"{engine}: {lines / count:.1f} lines in tables for each row")
        print(f"  load   {first:8.0f} rows a second")
        print(f"  again  {again:8.0f} rows a second, all unchanged")
        print(f"  bare   {plain:8.0f} rows a second: the load has {first / plain:.0%} of it")
        if engine == "postgresql":
            copied = bare(source, Postgres(folders[2], copy=True), count)
            print(f"  COPY   {copied:8.0f} rows a second: the load has {first / copied:.0%} of it")


if __name__ == "__main__":
    main()
