"""Session uploads: rows stream in, and each is answered by a line once it is kept.

A row that has its answer is kept; one that has none may be sent again, and does no harm. The
body is read on while answers wait to be taken, so that a client may send everything before it
reads; only when very many wait does reading pause.
"""

from collections import Counter
from collections.abc import AsyncIterator, Sequence
from datetime import datetime
from typing import Annotated

import anyio
from anyio.streams.memory import MemoryObjectReceiveStream
from fastapi import APIRouter, Header, Query
from pydantic import TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service.api.counts import count_rows
from service.api.headers import CSV, check_content_type
from service.api.outcomes import RestError, refusal
from service.api.services import CallerOf, ServicesOf
from service.fhir.json import write
from service.mapping.feed_lines import Line, LineSplitter
from service.mapping.feeds import Feed, FeedError, JsonLines
from service.programme.base import Instant
from service.record.load import csv_feed
from service.record.sessions import BATCH, Upload

router = APIRouter(tags=["Sessions"])

NDJSON = "application/x-ndjson"
_TAKEN = frozenset({NDJSON, "application/ndjson", CSV})
_WAITING = 500
"""Batches of answers that may wait for the client, about 15 MB, before reading pauses."""

_FEED_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            NDJSON: {"schema": {"$ref": "/schemas/session"}},
            CSV: {"schema": {"type": "string"}},
        },
    },
    "responses": {
        "200": {
            "description": "One line per row, in order: row, status (accepted, duplicate, amended "
            "or refused), reference, issue; notice and caution where a row names a sign that "
            "cannot wait.",
            "content": {NDJSON: {}},
        }
    },
}
_INSTANT: TypeAdapter[datetime] = TypeAdapter(Instant)


@router.post("/sessions", openapi_extra=_FEED_BODY)
async def upload_sessions(
    request: Request,
    services: ServicesOf,
    caller: CallerOf,
    map_: Annotated[
        str | None, Query(alias="map", description="The column map of a CSV table.")
    ] = None,
    zone: Annotated[
        str | None, Query(description="IANA zone of the table's local times, if not the map's.")
    ] = None,
    source: Annotated[
        str | None, Query(description="Who sends the rows, if they do not say so.")
    ] = None,
    device_clock: Annotated[
        str | None, Header(description="What the clock of the phone or device shows now.")
    ] = None,
) -> Response:
    """Send session logs (or states of health and pauses). Nobody watches them in real time."""
    kind = check_content_type(request, _TAKEN)
    try:
        feed = csv_feed(map_, zone, source) if kind == CSV else JsonLines(source)
    except FeedError as error:
        raise RestError(400, error.findings) from None
    upload = Upload(
        services.record,
        caller,
        received=services.clock(),
        device_clock=_instant(device_clock),
        policy=services.policy,
    )
    return _AnswerStream(upload, feed)


class _AnswerStream(Response):
    """Takes the body as it comes, a batch at a time, and sends the answers to each batch."""

    media_type = NDJSON

    def __init__(self, upload: Upload, feed: Feed) -> None:
        super().__init__()
        del self.headers["content-length"]
        self._upload = upload
        self._feed = feed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await self._exchange(Request(scope, receive), send)
        except* ClientDisconnect:
            pass  # what was answered is kept, the rest can be sent again

    async def _exchange(self, request: Request, send: Send) -> None:
        """Nothing is sent before the first batch is kept: until then any error has its status."""
        batches = _batches(request.stream())
        first = await self._answered(await anext(batches, []))
        start = {"status": self.status_code, "headers": self.raw_headers}
        await send({"type": "http.response.start", **start})
        into, out_of = anyio.create_memory_object_stream[bytes](_WAITING)
        async with anyio.create_task_group() as tasks, into:
            tasks.start_soon(_send_all, out_of, send)
            await into.send(first)
            async for lines in batches:
                await into.send(await self._answered(lines))

    async def _answered(self, lines: Sequence[Line]) -> bytes:
        return await run_in_threadpool(self._take, lines)

    def _take(self, lines: Sequence[Line]) -> bytes:
        try:
            rows = [row for line in lines if (row := self._feed.row(line)) is not None]
        except FeedError as error:
            raise RestError(400, error.findings) from None
        answers = self._upload.take_batch(rows)
        count_rows("session", Counter(answer.status for answer in answers))
        return b"".join(write(answer.to_json()) + b"\n" for answer in answers)


async def _batches(chunks: AsyncIterator[bytes]) -> AsyncIterator[list[Line]]:
    """The lines of a body, a batch at a time. A body that breaks off loses its last line."""
    splitter = LineSplitter()
    lines: list[Line] = []
    async for chunk in chunks:
        lines += splitter.take(chunk)
        while len(lines) >= BATCH:
            yield lines[:BATCH]
            del lines[:BATCH]
    lines += splitter.close()
    for start in range(0, len(lines), BATCH):
        yield lines[start : start + BATCH]


async def _send_all(out_of: MemoryObjectReceiveStream[bytes], send: Send) -> None:
    async with out_of:
        async for body in out_of:
            await send({"type": "http.response.body", "body": body, "more_body": True})
    await send({"type": "http.response.body", "body": b"", "more_body": False})


def _instant(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return _INSTANT.validate_python(text)
    except ValidationError:
        told = "Device-Clock: a time with seconds and UTC offset is expected."
        raise refusal(400, told) from None
