"""The log line of each request, in the form of all the others, and the count of requests.

Put together by hand and once for each turn of the event loop: at thousands of requests a second the
general logger would cost more than what it tells of.
"""

import asyncio
import sys
import time
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import BinaryIO, NamedTuple

import orjson


class Ended(NamedTuple):
    """A request that was answered, or broke off before it had a status.

    ``id`` is one that ``request_ids`` lets pass, so that it needs no escapes.
    """

    id: str
    method: str
    route: str
    status: int | None
    seconds: float


Counted = Callable[[Sequence[Ended]], None]


class RequestLines:
    """Writes to ``stream``, by default standard error, and tells ``counted`` of the same."""

    def __init__(self, counted: Counted | None = None, stream: BinaryIO | None = None) -> None:
        self._counted = counted
        self._stream = stream
        self._waiting: list[Ended] = []

    def add(self, ended: Ended) -> None:
        """One more."""
        if not self._waiting:
            asyncio.get_running_loop().call_soon(self._write)
        self._waiting.append(ended)

    def _write(self) -> None:
        some, self._waiting = self._waiting, []
        now = _now()
        stream = self._stream or sys.stderr.buffer
        stream.write(b"".join([_line(now, one) for one in some]))
        stream.flush()
        if self._counted is not None:
            self._counted(some)


def _line(now: bytes, ended: Ended) -> bytes:
    return b'%b"timestamp":"%b","request_id":"%b",%b"milliseconds":%.1f}\n' % (
        _BEGIN,
        now,
        ended.id.encode(),
        _what(ended.method, ended.route, ended.status),
        ended.seconds * 1000,
    )


_BEGIN = b'{"event":"request","logger":"airway.http","level":"info",'


@lru_cache(maxsize=4096)
def _what(method: str, route: str, status: int | None) -> bytes:
    members = orjson.dumps({"method": method, "route": route, "status": status})
    return members[1:-1] + b","


def _now() -> bytes:
    now = time.time()
    return b"%b.%06dZ" % (_second(int(now)), int(now % 1 * 1_000_000))


@lru_cache(maxsize=2)
def _second(second: int) -> bytes:
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(second)).encode()
