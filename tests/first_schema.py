"""Stores as they were made before revisions were numbered: the statements, written out.

They stay as they are, whatever becomes of the tables: such stores exist.
"""

import sqlite3
from pathlib import Path
from typing import Any

import psycopg

_INDEXES = {
    "token": (("system", "code"), ("code", "system")),
    "reference": (("target_type", "target"), ("target", "target_type")),
    "date": (("low", "high"), ("low", "high")),
    "string": (("folded", "text"), ("folded",)),
    "quantity": (("low", "high", "system", "code"), ("low", "high", "code", "system")),
    "uri": (("uri",), ("uri",)),
}

ROWS: dict[str, list[tuple[Any, ...]]] = {
    "version": [
        (1, "Patient", "p", 1, 1_930_000_000_000_000, False, b'{"resourceType":"Patient"}'),
        (2, "Observation", "o", 1, 1_930_000_000_001_000, False, '{"v":1.50,"n":"Zoë"}'.encode()),
        (3, "Observation", "o", 2, 1_930_000_000_002_000, False, b'{"v":1.500}'),
        (4, "Observation", "gone", 1, 1_930_000_000_003_000, False, b"{}"),
        (5, "Observation", "gone", 2, 1_930_000_000_004_000, True, b""),
    ],
    "resource": [
        (1, "Patient", "p", 1, 1_930_000_000_000_000, False),
        (2, "Observation", "o", 3, 1_930_000_000_002_000, False),
        (3, "Observation", "gone", 5, 1_930_000_000_004_000, True),
    ],
    "outbox": [
        (1, "Patient", "p", 1),
        (2, "Observation", "o", 1),
        (3, "Observation", "o", 2),
        (4, "Observation", "gone", 1),
        (5, "Observation", "gone", 2),
    ],
    "release": [("first", 1_930_000_000_005_000, b"\x00\xff")],
    "token": [(2, "identifier", "urn:s", "1", "Observation")],
    "reference": [(2, "patient", "Patient", "p", "Observation")],
    "date": [(2, "date", 1_929_000_000_000_000, 1_929_086_400_000_000, "Observation")],
    "string": [(1, "name", "zoe", "Zoë", "Patient")],
    "quantity": [(2, "value-quantity", "205000015", "205000015", "", "", "Observation")],
    "uri": [(2, "_profile", "https://clinic.example/p", "Observation")],
}


def make_sqlite(path: Path) -> None:
    """A file of format 1 that holds ``ROWS``."""
    with sqlite3.connect(path) as file:
        file.execute("PRAGMA journal_mode = WAL")
        for statement in _statements("INTEGER", "TEXT", "BLOB", " WITHOUT ROWID"):
            file.execute(statement)
        for table, rows in ROWS.items():
            marks = ", ".join("?" * len(rows[0]))
            file.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608
        file.execute("PRAGMA user_version = 1")
    file.close()


def make_postgres(address: str) -> None:
    """A database of format 1 that holds ``ROWS``."""
    with psycopg.connect(address) as database, database.cursor() as cursor:
        for statement in _statements("BIGINT", 'TEXT COLLATE "C"', "BYTEA", ""):
            cursor.execute(statement)
        for table, rows in ROWS.items():
            marks = ", ".join(["%s"] * len(rows[0]))
            cursor.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608
        cursor.execute("CREATE TABLE format (number SERIAL NOT NULL, PRIMARY KEY (number))")
        cursor.execute("INSERT INTO format VALUES (1)")


def _statements(number: str, text: str, blob: str, clustered: str) -> list[str]:
    named = f"type {text} NOT NULL, id {text} NOT NULL"
    dated = "instant BIGINT NOT NULL, deleted BOOLEAN NOT NULL"
    statements = [
        f'CREATE TABLE resource ("key" {number} NOT NULL, {named}, current {number} NOT NULL, '
        f'{dated}, PRIMARY KEY ("key"), UNIQUE (type, id))',
        'CREATE INDEX resource_by_type ON resource (type, "key", deleted, instant)',
        f"CREATE TABLE version (number {number} NOT NULL, {named}, version INTEGER NOT NULL, "
        f"{dated}, body {blob} NOT NULL, PRIMARY KEY (number), UNIQUE (type, id, version))",
        "CREATE INDEX version_by_type ON version (type, number, instant)",
        f"CREATE TABLE outbox (number {number} NOT NULL, {named}, version INTEGER NOT NULL, "
        "PRIMARY KEY (number), FOREIGN KEY(number) REFERENCES version (number))",
        f"CREATE TABLE release (name {text} NOT NULL, made BIGINT NOT NULL, "
        f"body {blob} NOT NULL, PRIMARY KEY (name))",
    ]
    for name, (values, look_up) in _INDEXES.items():
        kind = "BIGINT" if name == "date" else text
        columns = ", ".join(f"{value} {kind} NOT NULL" for value in values)
        statements += [
            f"CREATE TABLE {name} (resource {number} NOT NULL, parameter {text} NOT NULL, "
            f"{columns}, type {text} NOT NULL, "
            f"PRIMARY KEY (resource, parameter, {', '.join(values)})){clustered}",
            f"CREATE INDEX {name}_by_value ON {name} "
            f"(type, parameter, {', '.join(look_up)}, resource)",
        ]
    return statements
