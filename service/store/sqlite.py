"""The store in one SQLite file: one writer at a time, many readers, durable when it says so.

Write-ahead log, ``synchronous=FULL`` (what was committed survives a power cut), foreign keys, a
busy timeout. Units of one process queue fairly on a lock of ours; other processes wait for
SQLite's. Needs a file system with working locks: not a network share.
"""

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from sqlite3 import Connection as DriverConnection
from threading import Lock
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DatabaseError, OperationalError

from service.store.contract import (
    Key,
    Reader,
    StoreBusyError,
    StoreFormatError,
    UnitOfWork,
    Version,
)
from service.store.tables import metadata
from service.store.unit import SqlReader, SqlUnitOfWork

FORMAT = 1
"""Kept in the file's ``user_version``; a file with another one is not opened."""

_READERS = 8
_MORE_READERS = 56


class SqliteStore:
    """A store in the file ``path``, made if it is not there. Raises StoreFormatError."""

    def __init__(self, path: Path, *, busy_seconds: float = 30.0) -> None:
        self._busy_seconds = busy_seconds
        self._turn = Lock()
        self._writer = _engine(path, "BEGIN IMMEDIATE", busy_seconds, pool_size=1, max_overflow=0)
        try:
            self._prepare(path)
        except DatabaseError as error:
            self._writer.dispose()
            raise StoreFormatError(f"{path.name} is no store: {error.orig}") from None
        except BaseException:
            self._writer.dispose()
            raise
        self._readers = _engine(
            path,
            "BEGIN",
            busy_seconds,
            read_only=True,
            pool_size=_READERS,
            max_overflow=_MORE_READERS,
        )

    @contextmanager
    def read(self) -> Iterator[Reader]:
        """A snapshot: what was committed before the first question, and nothing later."""
        with self._readers.connect() as connection, connection.begin():
            yield SqlReader(connection)

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        with self.read() as reader:
            return reader.current(keys)

    @contextmanager
    def begin(self) -> Iterator[UnitOfWork]:
        """The only writer. Raises StoreBusyError when others held the file for too long."""
        if not self._turn.acquire(timeout=self._busy_seconds):
            raise StoreBusyError
        try:
            with _locked(self._writer) as connection:
                yield SqlUnitOfWork(connection)
        finally:
            self._turn.release()

    def close(self) -> None:
        """Let go of the file; the log is folded into it."""
        self._readers.dispose()
        self._writer.dispose()

    def _prepare(self, path: Path) -> None:
        with _locked(self._writer) as connection:
            found = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
            if found not in (0, FORMAT):
                raise StoreFormatError(
                    f"{path.name} has format {found}, this software reads {FORMAT}"
                )
            metadata.create_all(connection)
            connection.exec_driver_sql(f"PRAGMA user_version = {FORMAT}")


@contextmanager
def _locked(engine: Engine) -> Iterator[Connection]:
    with engine.connect() as connection:
        try:
            connection.begin()
        except OperationalError as error:
            if "locked" in str(error.orig):
                raise StoreBusyError from None
            raise
        try:
            yield connection
            connection.commit()
        except BaseException:
            connection.rollback()
            raise


def _engine(
    path: Path, begin: str, busy_seconds: float, *, read_only: bool = False, **pool: int
) -> Engine:
    engine = create_engine(URL.create("sqlite", database=str(path)), **pool)

    @event.listens_for(engine, "connect")
    def set_up(connection: DriverConnection, _: Any) -> None:
        # The driver must not begin transactions by itself: ours say how they begin.
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {int(busy_seconds * 1000)}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        if read_only:
            connection.execute("PRAGMA query_only = ON")

    @event.listens_for(engine, "begin")
    def start(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine
