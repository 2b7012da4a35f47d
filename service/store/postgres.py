"""The store in a PostgreSQL database: many hosts may share it, durable when it says so.

Units of work queue on one advisory lock of the database, so the law is that of the file: one writer
at a time, and the order of numbers is the order of commits. Whatever costs time (reading, checking,
indexing) happens before a unit begins, side by side on as many workers as there are. Readers never
wait: each sees one snapshot.
"""

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import Any

from psycopg import Cursor
from psycopg.pq import Format
from sqlalchemy import URL, Engine, Table, create_engine, event, func, insert, select, text
from sqlalchemy.engine import Connection, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from service.store import tables
from service.store.contract import (
    Key,
    Reader,
    StoreBusyError,
    StoreFormatError,
    UnitOfWork,
    Version,
)
from service.store.postgres_lines import insert_lines
from service.store.unit import SqlReader, SqlUnitOfWork

FORMAT = 1
"""Kept in the table ``format``; a database with another one is not opened."""

SCHEME = "postgresql"
_ONE_WRITER = 0x41495257
"""The advisory lock that units of work queue on."""
_LOCK_NOT_AVAILABLE = "55P03"
_POOLED = 8
_MORE = 24


class PostgresUnitOfWork(SqlUnitOfWork):
    """A unit of work whose lines go over the wire together."""

    def _insert(self, table: Table, rows: list[tuple[Any, ...]]) -> None:
        if rows:
            insert_lines(self._connection, table, rows)


class PostgresStore:
    """A store in the database at ``address``, a ``postgresql://`` URL.

    Its tables are made when they are not there. Raises StoreFormatError, which never tells a
    password. ``busy_seconds``: how long a unit of work waits for its turn.
    """

    def __init__(self, address: str, *, busy_seconds: float = 30.0) -> None:
        url = _driver_url(address)
        self._engine = _engine(url, busy_seconds, pool_pre_ping=True)
        # No question whether the connection still lives, no transaction: one round trip.
        self._alone = _engine(url, busy_seconds, isolation_level="AUTOCOMMIT")
        try:
            self._prepare()
        except DBAPIError as error:
            self._engine.dispose()
            told = f"database {url.database} at {url.host} cannot be used"
            raise StoreFormatError(f"{told}: {type(error.orig).__name__}") from None
        except BaseException:
            self._engine.dispose()
            raise

    @contextmanager
    def read(self) -> Iterator[Reader]:
        """A snapshot: what was committed before the first question, and nothing later."""
        with self._engine.connect() as connection, connection.begin():
            connection.execute(_SNAPSHOT)
            yield SqlReader(connection)

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        try:
            return self._current(keys)
        except DBAPIError as error:
            if not error.connection_invalidated:
                raise
            return self._current(keys)  # the database was restarted; the pool is new by now

    def _current(self, keys: Collection[Key]) -> dict[Key, Version]:
        with self._alone.connect() as connection:
            return SqlReader(connection).current(keys)

    @contextmanager
    def begin(self) -> Iterator[UnitOfWork]:
        """The only writer. Raises StoreBusyError when others wrote for too long."""
        with self._engine.connect() as connection, connection.begin():
            _take_turn(connection)
            yield PostgresUnitOfWork(connection)

    def close(self) -> None:
        """Let go of the connections."""
        self._engine.dispose()
        self._alone.dispose()

    def _prepare(self) -> None:
        with self._engine.connect() as connection, connection.begin():
            _take_turn(connection)
            tables.metadata.create_all(connection)
            tables.format_metadata.create_all(connection)
            found = connection.execute(select(tables.format_.c.number)).scalar_one_or_none()
            if found is None:
                connection.execute(insert(tables.format_).values(number=FORMAT))
            elif found != FORMAT:
                told = f"the database has format {found}, this software reads {FORMAT}"
                raise StoreFormatError(told)


_SNAPSHOT = text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
_TURN = select(func.pg_advisory_xact_lock(_ONE_WRITER))


def _take_turn(connection: Connection) -> None:
    """Each statement after this one sees what was committed before it."""
    try:
        connection.execute(_TURN)
    except DBAPIError as error:
        if getattr(error.orig, "sqlstate", None) == _LOCK_NOT_AVAILABLE:
            raise StoreBusyError from None
        raise


def _driver_url(address: str) -> URL:
    try:
        url = make_url(address)
    except ArgumentError:
        url = None
    if url is None or url.drivername != SCHEME:
        raise StoreFormatError("an address that begins with postgresql:// is expected")
    return url.set(drivername=f"{SCHEME}+psycopg")


class _BinaryCursor(Cursor[Any]):
    """Takes answers as they are kept: a body in hexadecimal letters costs more than its look-up."""

    def __init__(self, *given: Any, **options: Any) -> None:
        super().__init__(*given, **options)
        self.format = Format.BINARY


def _engine(url: URL, busy_seconds: float, **options: Any) -> Engine:
    engine = create_engine(
        url, pool_size=_POOLED, max_overflow=_MORE, hide_parameters=True, **options
    )

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, _: Any) -> None:
        connection.cursor_factory = _BinaryCursor
        # Given once for each connection; a session of the operator's own choice may not be less
        # durable than a file.
        with connection.cursor() as cursor:
            cursor.execute(f"SET lock_timeout = {int(busy_seconds * 1000)}")
            cursor.execute("SET synchronous_commit = on")
            cursor.execute("SET default_transaction_isolation = 'read committed'")
        connection.commit()

    return engine
