"""What is particular to the SQLite file."""

import sqlite3

import pytest

from service.store.contract import StoreBusyError, StoreFormatError
from service.store.sqlite import FORMAT, SqliteStore


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


def test_a_file_of_another_format_is_not_opened(path):
    SqliteStore(path).close()
    with sqlite3.connect(path) as other:
        other.execute(f"PRAGMA user_version = {FORMAT + 1}")
    other.close()
    with pytest.raises(StoreFormatError):
        SqliteStore(path)


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
