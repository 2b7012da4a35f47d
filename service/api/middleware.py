"""Around every request: an id, a limit on the body, gzip, one log line, and the last resort.

The log line has the route's template, never the path or the query: ids and search values belong to
children.
"""

import time
import traceback
from collections.abc import Callable, Mapping

import structlog
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.gzipped import Unpacked, is_worth_packing, packed, takes_gzip
from service.api.headers import HEADERS, by_name
from service.api.outcomes import error_response, unexpected
from service.api.places import TEMPLATE
from service.api.request_ids import Header, Ids
from service.api.request_lines import Counted, Ended, RequestLines

log = structlog.get_logger("airway.http")

_VARY = (b"vary", b"Accept-Encoding")
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


class Surround:
    """The outermost layer of the application. Answers HEAD as GET, without the body.

    ``limit_of`` gives the greatest body in bytes for a path; ``counted`` is told every request.
    """

    def __init__(
        self, app: ASGIApp, limit_of: Callable[[str], int], counted: Counted | None = None
    ) -> None:
        self._app = app
        self._limit_of = limit_of
        self._lines = RequestLines(counted)
        self._ids = Ids()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began = time.perf_counter()
        headers = scope[HEADERS] = by_name(scope["headers"])
        id_, marks = self._ids.of(headers)
        exchange = _Exchange(headers, self._limit_of(scope["path"]), id_, marks, receive, send)
        method = scope["method"]
        if method == "HEAD":
            exchange.without_body = True
            scope = {**scope, "method": "GET"}
        try:
            await exchange.run(self._app, scope)
        finally:
            self._tell(method, scope, exchange, time.perf_counter() - began)

    def _tell(self, method: str, scope: Scope, exchange: "_Exchange", seconds: float) -> None:
        known = method if method in _METHODS else "other"
        route = scope.get("route")
        template = str(scope.get(TEMPLATE) or getattr(route, "path", "unknown"))
        self._lines.add(Ended(exchange.id, known, template, exchange.status, seconds))


class BrokenAnswerError(Exception):
    """An answer that could not be finished; says nothing but the request id."""


class _Exchange:
    """One request and its answer."""

    def __init__(
        self,
        headers: Mapping[bytes, bytes],
        limit: int,
        id_: str,
        marks: list[Header],
        receive: Receive,
        send: Send,
    ) -> None:
        self.id = id_
        self.status: int | None = None
        self.without_body = False
        self._headers = headers
        self._limit = limit
        self._marks = marks
        self._receive, self._send = receive, send
        self._received = 0
        self._may_pack = takes_gzip(headers.get(b"accept-encoding", b""))
        self._held: Message | None = None

    async def run(self, app: ASGIApp, scope: Scope) -> None:
        try:
            if _announced_length(self._headers) > self._limit:
                raise _too_long(self._limit)
            if b"content-encoding" in self._headers:
                self._unpack(scope)
            await app(scope, self.receive, self.send)
        except HTTPException as refused:
            await error_response(refused)(scope, self.receive, self.send)
        except Exception as error:
            self._log_failure(error)
            if self.status is not None:
                # The answer has begun: only breaking the connection tells the client.
                raise BrokenAnswerError(self.id) from None
            await unexpected(self.id)(scope, self.receive, self.send)

    async def receive(self) -> Message:
        message = await self._receive()
        self._received += len(message.get("body", b""))
        if self._received > self._limit:
            raise _too_long(self._limit)
        return message

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            message["headers"] = [*message["headers"], *self._marks, _VARY]
            if self._may_pack and is_worth_packing(message):
                self._held = message
                return
        elif message["type"] == "http.response.body":
            if self._held is not None:
                message = await self._packed(message)
            if self.without_body:
                message = {**message, "body": b""}
        await self._send(message)

    async def _packed(self, message: Message) -> Message:
        """The body, after the head that was held back until it was there."""
        start, self._held = self._held, None
        assert start is not None  # noqa: S101  # whoever calls has looked
        if not message.get("more_body", False):  # what comes in pieces is sent as it comes
            start, body = await packed(start, message["body"])
            message = {**message, "body": body}
        await self._send(start)
        return message

    def _unpack(self, scope: Scope) -> None:
        """Take the body out of its gzip. Raises HTTPException 415 for any other coding."""
        coding = self._headers[b"content-encoding"].strip().lower()
        if coding not in (b"gzip", b"x-gzip", b"identity"):
            told = {"Accept-Encoding": "gzip"}
            raise HTTPException(415, "A body may be packed with gzip only.", headers=told)
        if coding == b"identity":
            return
        self._receive = Unpacked(self._receive)
        hidden = (b"content-encoding", b"content-length")
        scope["headers"] = [(n, value) for n, value in scope["headers"] if n not in hidden]

    def _log_failure(self, error: Exception) -> None:
        """Where it failed and with what kind of error; the message may hold a child's data."""
        frames = traceback.extract_tb(error.__traceback__)[-8:]
        log.error(
            "unexpected error",
            request_id=self.id,
            error=type(error).__name__,
            frames=[f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames],
        )


def _announced_length(headers: Mapping[bytes, bytes]) -> int:
    announced = headers.get(b"content-length", b"0")
    return int(announced) if announced.isdigit() else 0


def _too_long(limit: int) -> HTTPException:
    """The framework's own error, because its body parsers let no other pass."""
    return HTTPException(413, f"The body is longer than {limit} bytes.")
