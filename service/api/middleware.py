"""Around every request: an id, a limit on the body, one log line, and the last resort.

The log line has the route's template, never the path or the query: ids and search values belong to
children.
"""

import time
import traceback
import uuid
from collections.abc import Callable

import structlog
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.api.outcomes import error_response, unexpected

log = structlog.stdlib.get_logger("airway.http")


class Surround:
    """The outermost layer of the application.

    ``limit_of`` gives the greatest body in bytes for a path.
    """

    def __init__(self, app: ASGIApp, limit_of: Callable[[str], int]) -> None:
        self._app = app
        self._limit_of = limit_of

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        await _Exchange(self._app, self._limit_of(scope["path"])).run(scope, receive, send)


class BrokenAnswerError(Exception):
    """An answer that could not be finished; says nothing but the request id."""


class _Exchange:
    """One request and its answer."""

    def __init__(self, app: ASGIApp, limit: int) -> None:
        self._app = app
        self._limit = limit
        self._received = 0
        self._status: int | None = None
        self._id = uuid.uuid4().hex

    async def run(self, scope: Scope, receive: Receive, send: Send) -> None:
        began = time.perf_counter()

        async def limited_receive() -> Message:
            message = await receive()
            self._received += len(message.get("body", b""))
            if self._received > self._limit:
                raise _too_long(self._limit)
            return message

        async def marked_send(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._status = message["status"]
                MutableHeaders(scope=message)["X-Request-Id"] = self._id
            await send(message)

        try:
            if _announced_length(scope) > self._limit:
                await error_response(_too_long(self._limit))(scope, receive, marked_send)
            else:
                await self._app(scope, limited_receive, marked_send)
        except Exception as error:
            self._log_failure(error)
            if self._status is not None:
                # The answer has begun: only breaking the connection tells the client.
                raise BrokenAnswerError(self._id) from None
            await unexpected(self._id)(scope, receive, marked_send)
        finally:
            self._log_line(scope, time.perf_counter() - began)

    def _log_line(self, scope: Scope, seconds: float) -> None:
        log.info(
            "request",
            request_id=self._id,
            method=scope["method"],
            route=getattr(scope.get("route"), "path", "unknown"),
            status=self._status,
            milliseconds=round(seconds * 1000, 1),
        )

    def _log_failure(self, error: Exception) -> None:
        """Where it failed and with what kind of error; the message may hold a child's data."""
        frames = traceback.extract_tb(error.__traceback__)[-8:]
        log.error(
            "unexpected error",
            request_id=self._id,
            error=type(error).__name__,
            frames=[f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames],
        )


def _announced_length(scope: Scope) -> int:
    announced = Headers(scope=scope).get("content-length", "0")
    return int(announced) if announced.isascii() and announced.isdigit() else 0


def _too_long(limit: int) -> HTTPException:
    """The framework's own error, because its body parsers let no other pass."""
    return HTTPException(413, f"The body is longer than {limit} bytes.")
