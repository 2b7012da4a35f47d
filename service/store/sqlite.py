"""The store in one SQLite file: one writer at a time, many readers, durable when it says so.

Write-ahead log, ``synchronous=FULL`` (what was committed survives a power cut), foreign keys, a
busy timeout. Units of one process queue fairly on a lock of ours; other processes wait for
SQLite's. Needs a file system with working locks: not a network share.
"""

import sqlite3
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import BoundedSemaphore, Lock
from typing import Any, cast

from sqlalchemy import URL, Engine, Select, create_engine, event
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DatabaseError

from service.store import revisions
from service.store.contract import (
    Key,
    Reader,
    StoreAwayError,
    StoreBusyError,
    StoreFormatError,
    UnitOfWork,
    Version,
)
from service.store.failures import OTHERS_WRITE, meant, transaction, turn
from service.store.lately import Lately
from service.store.lookup import CURRENT, NUMBERS, questions
from service.store.unit import SqlReader, SqlUnitOfWork

_READERS = 8
_MORE_READERS = 56
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL}
_AWAY = {
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_NOMEM,
}


class SqliteStore:
    """A store in the file ``path``, made if it is not there and brought up to date if it is old.

    Raises StoreFormatError, and StoreBusyError when another process did not end doing so.
    """

    def __init__(self, path: Path, *, busy_seconds: float = 30.0) -> None:
        self._busy_seconds = busy_seconds
        self._line = BoundedSemaphore(1)
        self._writer = _engine(path, busy_seconds, pool_size=1, max_overflow=0)
        self._readers = _engine(
            path,
            busy_seconds,
            read_only=True,
            pool_size=_READERS,
            max_overflow=_MORE_READERS,
        )
        self._one_look_up, self._lately = Lock(), Lately()
        self._look_ups: sqlite3.Connection | None = None
        try:
            self._prepare(path)
        except DatabaseError as error:
            self.close()
            raise StoreFormatError(f"{path.name} is no store: {error.orig}") from None
        except StoreAwayError as error:
            self.close()
            raise StoreFormatError(f"{path.name} cannot be used: {error}") from None
        except BaseException:
            self.close()
            raise

    @contextmanager
    def read(self) -> Iterator[Reader]:
        """A snapshot: what was committed before the first question, and nothing later."""
        with meant(_named), self._readers.connect() as connection:
            connection.exec_driver_sql("BEGIN")
            yield SqlReader(connection)

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        with meant(_named), self._readers.connect() as connection:
            return SqlReader(connection).current(keys)  # one question, in no transaction

    async def current_soon(self, keys: Collection[Key]) -> dict[Key, Version]:
        """At once: readers wait for nobody, the write-ahead log shows what was committed; and a
        thread would fight with the event loop for the interpreter at every row."""
        with meant(_named):
            return await self._lately.current(keys, self)

    async def numbers(self, type_: str, ids: Sequence[str]) -> list[tuple[Any, ...]]:
        """As ``lookup.NUMBERS``."""
        return self._look_up(NUMBERS, type_, ids)

    async def versions(self, type_: str, ids: Sequence[str]) -> list[tuple[Any, ...]]:
        """As ``lookup.CURRENT``."""
        return self._look_up(CURRENT, type_, ids)

    def _look_up(self, what: Select[Any], type_: str, ids: Sequence[str]) -> list[tuple[Any, ...]]:
        found = []
        with self._one_look_up:
            self._look_ups = self._look_ups or self._connection_apart()
            for asked, values in questions(what, self._readers.dialect, type_, ids):
                found += self._look_ups.execute(asked, values).fetchall()
        return found

    @contextmanager
    def begin(self) -> Iterator[UnitOfWork]:
        """The only writer. Raises StoreBusyError when others held the file for too long."""
        with turn(self._line, self._busy_seconds), _locked(self._writer) as connection:
            yield SqlUnitOfWork(connection)

    def close(self) -> None:
        """Let go of the file; the log is folded into it."""
        if self._look_ups is not None:
            self._look_ups.close()
        self._readers.dispose()
        self._writer.dispose()

    def _connection_apart(self) -> sqlite3.Connection:
        """A reader's, for look-ups without what the pool does around each question."""
        pooled = self._readers.raw_connection()
        own = cast(sqlite3.Connection, pooled.driver_connection)
        pooled.detach()
        return own

    def _prepare(self, path: Path) -> None:
        with meant(_named), self._readers.connect() as connection:
            if _format(connection) == revisions.NUMBERED and revisions.is_up_to_date(connection):
                return
        patient = _engine(path, revisions.PATIENCE)
        try:
            with _locked(patient) as connection:
                revisions.bring_up_to_date(connection, _format(connection) or None)
                connection.exec_driver_sql(f"PRAGMA user_version = {revisions.NUMBERED}")
        finally:
            patient.dispose()


def _format(connection: Connection) -> int:
    """0 for a file that nobody has written to."""
    found: int = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
    return found


@contextmanager
def _locked(engine: Engine) -> Iterator[Connection]:
    with meant(_named), engine.connect() as connection:
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        with transaction(connection, _named):
            yield connection


def _named(error: BaseException) -> StoreAwayError | StoreBusyError | None:
    """SQLite's own texts for these cases hold nothing of what is stored."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # without its details
    if code in _BUSY:
        return StoreBusyError(OTHERS_WRITE)
    return StoreAwayError(str(error)) if code in _AWAY else None


def _engine(path: Path, busy_seconds: float, *, read_only: bool = False, **pool: int) -> Engine:
    """Its connections begin no transaction by themselves: ours say how they begin."""
    engine = create_engine(URL.create("sqlite", database=str(path)), **pool)

    @event.listens_for(engine, "connect")
    def set_up(connection: sqlite3.Connection, _: Any) -> None:
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {int(busy_seconds * 1000)}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        if read_only:
            connection.execute("PRAGMA query_only = ON")

    return engine
