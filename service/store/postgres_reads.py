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

from service.store.lookup import CURRENT, NUMBERS, by_number

Row = tuple[Any, ...]
Connect = Callable[[], "psycopg.Connection[Any]"]

_VERSIONS, _NUMBERS = b"versions", b"numbers"
_PREPARED = {_VERSIONS: by_number(CURRENT), _NUMBERS: by_number(NUMBERS)}
_KINDS = (PyFormat.TEXT, PyFormat.BINARY)


class Wires:
    """Connections for look-ups only: as many as there were look-ups at the same time."""

    def __init__(self, connect: Connect) -> None:
        self._connect = connect
        self._idle: list[_Wire] = []
        self._all: set[_Wire] = set()

    async def numbers(self, type_: str, ids: Sequence[str]) -> list[Row]:
        """As ``lookup.NUMBERS``. Raises the driver's errors; what went wrong is let go."""
        return await self._rows(_NUMBERS, type_, ids)

    async def versions(self, type_: str, ids: Sequence[str]) -> list[Row]:
        """As ``lookup.CURRENT``, likewise."""
        return await self._rows(_VERSIONS, type_, ids)

    async def _rows(self, name: bytes, type_: str, ids: Sequence[str]) -> list[Row]:
        wire = self._idle.pop() if self._idle else await asyncio.to_thread(self._new)
        try:
            found = await wire.rows(name, type_, ids)
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
        for name, question in _PREPARED.items():
            self._check(self._libpq.prepare(name, question), ExecStatus.COMMAND_OK)
        self._libpq.nonblocking = 1
        self._listening: asyncio.AbstractEventLoop | None = None
        self._results: list[PGresult] = []
        self._whole: asyncio.Future[None] | None = None

    async def rows(self, name: bytes, type_: str, ids: Sequence[str]) -> list[Row]:
        self._listen()
        values = self._adapting.dump_sequence((type_, list(ids)), _KINDS)
        formats = self._adapting.formats
        self._libpq.send_query_prepared(name, values, formats, result_format=Format.BINARY)
        if self._libpq.flush():
            raise psycopg.OperationalError("the database takes nothing at present")
        (result,) = await self._answer()
        self._check(result, ExecStatus.TUPLES_OK)
        self._adapting.set_pgresult(result)
        return self._adapting.load_rows(0, result.ntuples, tuple)

    def close(self) -> None:
        self._hear_no_more()
        self._connection.close()

    async def _answer(self) -> list[PGresult]:
        """All results of a question, once all are there."""
        self._results, self._whole = [], asyncio.get_running_loop().create_future()
        try:
            await self._whole
        finally:
            self._whole = None
        return self._results

    def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        if self._listening is not loop:
            self._hear_no_more()
            loop.add_reader(self._libpq.socket, self._hear)
            self._listening = loop

    def _hear(self) -> None:
        """Something came: of an answer, or the word that this connection ends."""
        whole = self._whole
        if whole is None or whole.done():
            self._hear_no_more()  # whoever asks next finds out
            return
        try:
            self._libpq.consume_input()
            while not self._libpq.is_busy():
                result = self._libpq.get_result()
                if result is None:
                    whole.set_result(None)
                    return
                self._results.append(result)
        except psycopg.Error as error:
            whole.set_exception(error)

    def _hear_no_more(self) -> None:
        if self._listening is not None and not self._listening.is_closed():
            self._listening.remove_reader(self._libpq.socket)
        self._listening = None

    def _check(self, result: PGresult, expected: ExecStatus) -> None:
        if result.status != expected:
            raise psycopg.OperationalError(f"a look-up ended as {ExecStatus(result.status).name}")
