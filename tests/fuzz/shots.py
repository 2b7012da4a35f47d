"""One request as the fuzzer sends it, one answer as it judges it, and the way between them."""

import base64
import gzip
import json
from dataclasses import dataclass, field
from typing import Any, Protocol
from urllib.parse import unquote

Header = tuple[str, str]


@dataclass(frozen=True)
class Shot:
    """``path`` is what stands in the request line, percent signs and query and all."""

    method: str
    path: str
    headers: tuple[Header, ...] = ()
    body: bytes = b""
    sent: Any = field(default=None, compare=False)
    """The resource that ``body`` holds when it should be read back as it was sent."""

    def replayable(self) -> str:
        """One line of JSON that ``of`` reads again."""
        parts = [self.method, self.path, list(self.headers), base64.b64encode(self.body).decode()]
        return json.dumps(parts)

    @classmethod
    def of(cls, line: str) -> "Shot":
        method, path, headers, body = json.loads(line)
        return cls(method, path, tuple(map(tuple, headers)), base64.b64decode(body))

    def __str__(self) -> str:
        shown = self.body[:1500].decode("utf-8", "backslashreplace")
        lines = [f"{name}: {value}" for name, value in self.headers]
        return "\n".join([f"{self.method} {self.path}", *lines, "", shown])


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    """Names in small letters."""
    body: bytes
    fault: str = ""
    """What the log says of a mistake of ours, where it can be seen."""


class Target(Protocol):
    async def send(self, shot: Shot) -> Answer: ...


class InProcess:
    """The application itself, asked as a server asks it: nothing tidies the request on its way."""

    def __init__(self, app: Any, log: list[Any]) -> None:
        self._app = app
        self._log = log

    async def send(self, shot: Shot) -> Answer:
        path, _, query = shot.path.partition("?")
        started: dict[str, Any] = {}
        chunks: list[bytes] = []
        arriving = [{"type": "http.request", "body": shot.body, "more_body": False}]

        async def receive() -> Any:
            return arriving.pop() if arriving else {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            if message["type"] == "http.response.start":
                started.update(message)
            else:
                chunks.append(message.get("body", b""))

        await self._app(_scope(shot, path, query), receive, send)
        headers = {n.decode("latin-1").lower(): v.decode("latin-1") for n, v in started["headers"]}
        body = b"".join(chunks)
        if headers.get("content-encoding") == "gzip":
            body = gzip.decompress(body) if body else body
        told = [one for one in self._log if one["event"] == "unexpected error"]
        self._log.clear()
        fault = f"{told[0]['error']} {told[0]['frames'][-1]}" if told else ""
        return Answer(started["status"], headers, body, fault)


def _scope(shot: Shot, path: str, query: str) -> dict[str, Any]:
    """As uvicorn makes it: the path without percent signs, bytes that are no UTF-8 replaced."""
    raw = path.encode("utf-8", "surrogatepass")
    length = [(b"content-length", str(len(shot.body)).encode())] if shot.body else []
    named = [(n.lower().encode("latin-1"), v.encode("utf-8")) for n, v in shot.headers]
    return {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": shot.method,
        "scheme": "http",
        "path": unquote(path),
        "raw_path": raw,
        "query_string": query.encode("utf-8", "surrogatepass"),
        "root_path": "",
        "headers": [(b"host", b"127.0.0.1:8000"), *length, *named],
        "client": ("127.0.0.1", 40000),
        "server": ("127.0.0.1", 8000),
    }
