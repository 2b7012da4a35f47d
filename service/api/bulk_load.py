"""POST /fhir/$load: many resources, one a line, taken as they come and kept in batches.

The answer is NDJSON, written while the body is read. A line for each refused row, then, once the
batch is committed, one that says how far it is: a row that was counted is kept. The last line says
``complete``; without it, send the body again, which does no harm.
"""

from collections import Counter
from collections.abc import Iterator
from threading import Lock

import anyio
from anyio import from_thread
from anyio.streams.memory import MemoryObjectReceiveStream, MemoryObjectSendStream
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service.api.counts import count_rows
from service.api.headers import check_content_type
from service.api.outcomes import refusal, translated
from service.api.served import Call, Operation
from service.fhir.json import JsonObject, write
from service.fhir.outcome import operation_outcome
from service.record.bulk import Loading, Progress, rows_of
from service.record.errors import RecordError

NDJSON = "application/fhir+ndjson"
_TAKEN = frozenset({NDJSON, "application/x-ndjson", "application/ndjson"})
_WAITING = 500
"""Batches of answers that may wait for the client before reading pauses."""

_cores = Lock()
"""One load at a time has processes of its own; others are dealt with in this process."""

Steps = Iterator[Progress]


async def load(call: Call) -> Response:
    """Nothing is answered before the first batch is kept: until then any error has its status."""
    check_content_type(call.request, _TAKEN)
    steps = _steps(call)
    try:
        first = await _next(steps)
    except ClientDisconnect:
        raise refusal(400, "The body broke off.") from None
    return _Told(first, steps)


LOAD = Operation(
    name="load",
    definition="https://airway-programmes.example/fhir/OperationDefinition/system-load",
    handler=load,
    on_system=("POST",),
)


def _steps(call: Call) -> Steps:
    """The batches, to be asked for in worker threads: the body is read from the event loop."""
    services = call.services
    alone = not _cores.acquire(blocking=False)
    try:
        loading = Loading(
            services.record,
            call.caller,
            services.build_maker,
            policy=services.policy,
            reason="Bulk load",
            here=services.maker,
            workers=1 if alone else None,
            start="spawn",
        )
        rows = rows_of(_chunks(call.request), services.settings.max_body_bytes)
        yield from loading.take(rows)
    finally:
        if not alone:
            _cores.release()


def _chunks(request: Request) -> Iterator[bytes]:
    stream = request.stream()

    async def following() -> bytes | None:
        return await anext(stream, None)

    while (chunk := from_thread.run(following)) is not None:
        yield chunk


async def _next(steps: Steps) -> Progress | None:
    return await anyio.to_thread.run_sync(next, steps, None)


class _Told(Response):
    """Goes on with a load and tells of each batch."""

    media_type = NDJSON

    def __init__(self, first: Progress | None, steps: Steps) -> None:
        super().__init__()
        del self.headers["content-length"]
        self._first = first
        self._steps = steps
        self._ends: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002
        start = {"status": self.status_code, "headers": self.raw_headers}
        await send({"type": "http.response.start", **start})
        into, out_of = anyio.create_memory_object_stream[bytes](_WAITING)
        async with anyio.create_task_group() as tasks, into:
            tasks.start_soon(_send_all, out_of, send)
            await self._tell(into)

    async def _tell(self, into: MemoryObjectSendStream[bytes]) -> None:
        told = self._first
        try:
            while told is not None:
                await into.send(self._lines(told))
                told = await _next(self._steps)
            await into.send(_line({"complete": True} | self._counts()))
        except ClientDisconnect:
            pass  # what was counted is kept, the rest can be sent again
        except (RecordError, HTTPException) as error:
            outcome = operation_outcome(translated(error).findings)
            await into.send(_line({"complete": False, "outcome": outcome} | self._counts()))

    def _lines(self, told: Progress) -> bytes:
        self._ends.update(told.done)
        self._ends["refused"] += len(told.refused)
        count_rows("resource", {str(end): number for end, number in told.done.items()})
        count_rows("resource", {"refused": len(told.refused)})
        refused = (
            {"row": row.row.number, "outcome": operation_outcome(row.findings)}
            for row in told.refused
        )
        return b"".join(map(_line, refused)) + _line({"upTo": told.up_to} | self._counts())

    def _counts(self) -> JsonObject:
        return {end: self._ends[end] for end in ("created", "updated", "unchanged", "refused")}


def _line(told: JsonObject) -> bytes:
    return write(told) + b"\n"


async def _send_all(out_of: MemoryObjectReceiveStream[bytes], send: Send) -> None:
    async with out_of:
        async for body in out_of:
            await send({"type": "http.response.body", "body": body, "more_body": True})
    await send({"type": "http.response.body", "body": b"", "more_body": False})
