"""PostgreSQL asked for current versions on an event loop.

A thread that waits for the database fights with the loop for the interpreter at every answer, and
that costs several times what the look-up does. Here libpq is asked without waiting (PostgreSQL
manual, chapter Asynchronous Command Processing), and the loop is told when an answer is there.
"""

import asyncio
from collections.abc import Callable, Sequence
from typing import Any

import psycopg
from psycopg.adapt import PyFormat, Transformer
from psycopg.pq import ExecStatus, Format
from psycopg.pq.abc import PGresult

from service.store.lookup import CURRENT_BY_NUMBER

Row = tuple[Any, ...]
Connect = Callable[[], "psycopg.Connection[Any]"]

_NAME = b"current"
_KINDS = (PyFormat.TEXT, PyFormat.BINARY)


class Wires:
    """Connections for look-ups only: as many as there were look-ups at the same time."""

    def __init__(self, connect: Connect) -> None:
        self._connect = connect
        self._idle: list[_Wire] = []
        self._all: set[_Wire] = set()

    async def rows(self, type_: str, ids: Sequence[str]) -> list[Row]:
        """As ``lookup.current_rows``. Raises the driver's errors; what went wrong is let go."""
        wire = self._idle.pop() if self._idle else await asyncio.to_thread(self._new)
        try:
            found = await wire.rows(type_, ids)
        except BaseException:  # given up in the middle of an answer, it is of no use either
            self._drop(wire)
            raise
        self._idle.append(wire)
        return found

    def close(self) -> None:
        """Let go of all."""
        self._idle.clear()
        for wire in list(self._all):
            self._drop(wire)

    def _new(self) -> "_Wire":
        wire = _Wire(self._connect())
        self._all.add(wire)
        return wire

    def _drop(self, wire: "_Wire") -> None:
        self._all.discard(wire)
        wire.close()


class _Wire:
    """One connection, for one question at a time."""

    def __init__(self, connection: "psycopg.Connection[Any]") -> None:
        self._connection = connection
        self._libpq = connection.pgconn
        self._adapting = Transformer(connection)
        self._check(self._libpq.prepare(_NAME, CURRENT_BY_NUMBER), ExecStatus.COMMAND_OK)
        self._libpq.nonblocking = 1

    async def rows(self, type_: str, ids: Sequence[str]) -> list[Row]:
        values = self._adapting.dump_sequence((type_, list(ids)), _KINDS)
        formats = self._adapting.formats
        self._libpq.send_query_prepared(_NAME, values, formats, result_format=Format.BINARY)
        if self._libpq.flush():
            raise psycopg.OperationalError("the database takes nothing at present")
        (result,) = await self._results()
        self._check(result, ExecStatus.TUPLES_OK)
        self._adapting.set_pgresult(result)
        return self._adapting.load_rows(0, result.ntuples, tuple)

    def close(self) -> None:
        self._connection.close()

    async def _results(self) -> list[PGresult]:
        """All of the answer, once all of it is there."""
        loop, socket = asyncio.get_running_loop(), self._libpq.socket
        whole: asyncio.Future[list[PGresult]] = loop.create_future()
        results: list[PGresult] = []

        def more() -> None:
            try:
                self._libpq.consume_input()
                while not self._libpq.is_busy() and not whole.done():
                    result = self._libpq.get_result()
                    if result is None:
                        whole.set_result(results)
                    else:
                        results.append(result)
            except psycopg.Error as error:
                if not whole.done():
                    whole.set_exception(error)

        loop.add_reader(socket, more)
        try:
            return await whole
        finally:
            loop.remove_reader(socket)

    def _check(self, result: PGresult, expected: ExecStatus) -> None:
        if result.status != expected:
            raise psycopg.OperationalError(f"a look-up ended as {ExecStatus(result.status).name}")
