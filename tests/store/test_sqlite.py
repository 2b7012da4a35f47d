"""What is particular to the SQLite file."""

import sqlite3

import pytest
from search_language import parse
from sqlalchemy import event

from service.store.contract import StoreBusyError
from service.store.cursor import encode
from service.store.sqlite import SqliteStore


@pytest.fixture
def path(tmp_path):
    return tmp_path / "store.db"


def test_commits_survive_a_power_cut_by_its_settings(path):
    store = SqliteStore(path)
    with store.begin() as unit:
        settings = {
            name: unit._connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        }
    store.close()
    # https://sqlite.org/pragma.html#pragma_synchronous: 2 is FULL.
    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}


def test_a_writer_that_waits_too_long_is_told(path):
    store = SqliteStore(path, busy_seconds=0.05)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreBusyError), store.begin():
        pass
    other.execute("ROLLBACK")
    other.close()
    with store.begin():
        pass
    store.close()


def test_a_reader_cannot_write(path):
    store = SqliteStore(path)
    with store.read() as reader, pytest.raises(Exception, match="readonly"):
        reader._connection.exec_driver_sql("DELETE FROM version")
    store.close()


QUESTIONS = {
    "current": lambda view: view.current([("Observation", "a"), ("Observation", "b")]),
    "version": lambda view: view.version(("Observation", "a"), 1),
    "versions": lambda view: view.versions([("Observation", "a"), ("Patient", "b")]),
    "history of one": lambda view: view.history("Observation", "a", count=10),
    "history of a type": lambda view: view.history("Observation", count=10),
    "identifiers": lambda view: view.holders("Observation", [("s", "1"), ("s", "2")]),
    "a child's sessions": lambda view: search(
        view, ("patient", "Patient/p"), ("code", "s|c"), ("date", "ge2031"), ("_sort", "-date")
    ),
    "by identifier": lambda view: search(view, ("identifier", "s|1"), ("status:not", "final")),
    "by date": lambda view: search(view, ("date", "ge2031-01-01")),
    "the next page": lambda view: view.search("Observation", count=5, cursor=encode(7)),
}


def search(view, *pairs):
    asked = parse("Observation", pairs)
    return view.search("Observation", asked.criteria, sort=asked.sort, count=5)


@pytest.mark.parametrize("name", QUESTIONS)
def test_common_questions_are_answered_by_an_index(path, name):
    """No table is read from end to end; a type is walked through only where it is asked for."""
    store = SqliteStore(path)
    asked = []
    with store.read() as reader:
        connection = reader._connection
        event.listen(
            connection,
            "before_cursor_execute",
            lambda _c, _k, statement, values, *_: asked.append((statement, values)),
        )
        QUESTIONS[name](reader)
        plans = [
            row[3]
            for statement, values in list(asked)
            for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values)
        ]
    store.close()
    steps = [step for step in plans if step.startswith(("SCAN", "SEARCH"))]
    assert steps
    assert [step for step in steps if step.startswith("SCAN")] == []
    walks = any("_by_type (type=?)" in step for step in steps)
    assert walks == (name in ("history of a type", "the next page"))
