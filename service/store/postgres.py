"""The store in a PostgreSQL database: many hosts may share it, durable when it says so.

Units of work queue on one advisory lock of the database, so the law is that of the file: one writer
at a time, and the order of numbers is the order of commits. Whatever costs time (reading, checking,
indexing) happens before a unit begins, side by side on as many workers as there are. Readers never
wait: each sees one snapshot.
"""

import asyncio
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from threading import BoundedSemaphore
from typing import Any, cast

import psycopg
from psycopg.pq import Format
from sqlalchemy import URL, Engine, create_engine, event, inspect, select
from sqlalchemy.engine import Connection, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from service.store import revisions, tables
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
from service.store.postgres_lines import insert_lines
from service.store.postgres_reads import Wires
from service.store.unit import SqlReader, SqlUnitOfWork, TableLines

SCHEME = "postgresql"
_ONE_WRITER = 0x41495257
"""The advisory lock that units of work queue on."""
_POOLED = 8
_MORE = 24
_IN_LINE = 4
"""Units of one process that queue at the database; others wait here, where they take no connection
from readers."""
_PATIENCE = {
    "connect_timeout": "5",
    "keepalives_idle": "15",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "30000",
}
"""After how long a server that says nothing counts as away (libpq's names: PostgreSQL manual,
chapter Database Connection Control Functions). What the address itself says goes before."""


class PostgresUnitOfWork(SqlUnitOfWork):
    """A unit of work whose lines go over the wire together."""

    def _insert(self, *lines: TableLines) -> None:
        insert_lines(self._connection, [(table, rows) for table, rows in lines if rows])


class PostgresStore:
    """A store in the database at ``address``, a ``postgresql://`` URL.

    Its tables are made when they are not there, and brought up to date when they are old. Raises
    StoreFormatError, which never tells a password. ``busy_seconds``: how long a unit of work waits
    for its turn, here and again at the database, and anybody for a connection.
    """

    def __init__(self, address: str, *, busy_seconds: float = 30.0) -> None:
        url = _driver_url(address)
        self._busy_seconds = busy_seconds
        self._line = BoundedSemaphore(_IN_LINE)
        self._engine = _engine(url, busy_seconds)
        self._wires, self._lately = Wires(self._connection_apart), Lately()
        try:
            self._prepare()
        except (DBAPIError, StoreAwayError) as error:
            self.close()
            told = error if isinstance(error, StoreAwayError) else type(error.orig).__name__
            place = f"database {url.database} at {url.host}"
            raise StoreFormatError(f"{place} cannot be used: {told}") from None
        except BaseException:
            self.close()
            raise

    @contextmanager
    def read(self) -> Iterator[Reader]:
        """A snapshot: what was committed before the first question, and nothing later."""
        with self._begun(_SNAPSHOT) as connection:
            yield SqlReader(connection)

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        with meant(_named), self._engine.connect() as connection:
            reader = SqlReader(connection)  # in no transaction: one round trip
            try:
                return reader.current(keys)
            except DBAPIError as error:
                _check_stale(error, connection)
                return reader.current(keys)

    async def current_soon(self, keys: Collection[Key]) -> dict[Key, Version]:
        with meant(_named):
            try:
                return await self._lately.current(keys, self._wires)
            except psycopg.Error:  # the connection of before is not there any more, perhaps
                return await asyncio.to_thread(self.current, keys)

    @contextmanager
    def begin(self) -> Iterator[UnitOfWork]:
        """The only writer. Raises StoreBusyError when others wrote for too long."""
        with (
            turn(self._line, self._busy_seconds),
            self._begun(_UNIT) as connection,
            transaction(connection, _named),
        ):
            connection.exec_driver_sql(_TURN)
            yield PostgresUnitOfWork(connection)

    def close(self) -> None:
        """Let go of the connections."""
        self._wires.close()
        self._engine.dispose()

    def _connection_apart(self) -> "psycopg.Connection[Any]":
        """Set up as all others, and no longer the pool's."""
        pooled = self._engine.raw_connection()
        own = cast("psycopg.Connection[Any]", pooled.driver_connection)
        pooled.detach()
        return own

    @contextmanager
    def _begun(self, begin: str) -> Iterator[Connection]:
        """A transaction, on a connection that lives; undone at the end if it is not committed."""
        with meant(_named), self._engine.connect() as connection:
            try:
                connection.exec_driver_sql(begin)
            except DBAPIError as error:
                _check_stale(error, connection)
                connection.exec_driver_sql(begin)
            yield connection

    def _prepare(self) -> None:
        with meant(_named), self._engine.connect() as connection:
            if revisions.is_up_to_date(connection):
                return
        with self._begun(_UNIT) as connection, transaction(connection, _named):
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{revisions.PATIENCE:.0f}s'")
            connection.exec_driver_sql(_TURN)
            revisions.bring_up_to_date(connection, _format(connection))
            tables.format_metadata.create_all(connection)
            connection.execute(tables.format_.delete())
            connection.execute(tables.format_.insert().values(number=revisions.NUMBERED))


_SNAPSHOT = "BEGIN ISOLATION LEVEL REPEATABLE READ, READ ONLY"
_UNIT = "BEGIN ISOLATION LEVEL READ COMMITTED, READ WRITE"
_TURN = f"SELECT pg_advisory_xact_lock({_ONE_WRITER})"
"""Each statement after this one sees what was committed before it."""
_LOCK_NOT_AVAILABLE = "55P03"
_AWAY = ("08", "25006", "53", "57", "58")
"""Connections, a server that only reads, resources, an operator's hand, the system around the
server (PostgreSQL manual, appendix Error Codes)."""


def _named(error: BaseException) -> StoreAwayError | StoreBusyError | None:
    if not isinstance(error, psycopg.Error):
        return None
    state, kind = error.sqlstate, type(error).__name__
    if state == _LOCK_NOT_AVAILABLE:
        return StoreBusyError(OTHERS_WRITE)
    if state is None:  # no server said so
        return StoreAwayError(kind) if isinstance(error, psycopg.OperationalError) else None
    return StoreAwayError(f"{kind} ({state})") if state.startswith(_AWAY) else None


def _check_stale(error: DBAPIError, connection: Connection) -> None:
    """Whether a first question failed because its connection had died in the pool, so that it may
    be asked again: the pool has thrown away all that it had. Asking each connection before use
    whether it lives would cost every reader a round trip. Raises the error if it is another."""
    if not error.connection_invalidated:
        raise error
    connection.rollback()


def _format(connection: Connection) -> int | None:
    if not inspect(connection).has_table(tables.format_.name):
        return None
    return connection.execute(select(tables.format_.c.number)).scalar_one_or_none()


def _driver_url(address: str) -> URL:
    try:
        url = make_url(address)
    except ArgumentError:
        url = None
    if url is None or url.drivername != SCHEME:
        raise StoreFormatError("an address that begins with postgresql:// is expected")
    return url.set(drivername=f"{SCHEME}+psycopg", query={**_PATIENCE, **url.query})


class _BinaryCursor(psycopg.Cursor[Any]):
    """Takes answers as they are kept: a body in hexadecimal letters costs more than its look-up."""

    def __init__(self, *given: Any, **options: Any) -> None:
        super().__init__(*given, **options)
        self.format = Format.BINARY


def _engine(url: URL, busy_seconds: float) -> Engine:
    """Its connections begin no transaction by themselves: ours say how they begin."""
    engine = create_engine(
        url,
        pool_size=_POOLED,
        max_overflow=_MORE,
        pool_timeout=busy_seconds,
        hide_parameters=True,
        isolation_level="AUTOCOMMIT",
    )

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, _: Any) -> None:
        # Given once for each connection; a session of the operator's own choice may not be less
        # durable than a file.
        connection.execute(
            f"SET lock_timeout = {int(busy_seconds * 1000)}; SET synchronous_commit = on"
        )
        connection.cursor_factory = _BinaryCursor

    return engine
