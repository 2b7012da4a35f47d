"""The log line of each request, in the form of all the others.

Put together by hand and written once for each turn of the event loop: at thousands of requests a
second the general logger would cost more than what it tells of.
"""

import asyncio
import sys
import time
from functools import lru_cache
from typing import BinaryIO

import orjson


class RequestLines:
    """Writes to ``stream``, standard error unless another is given."""

    def __init__(self, stream: BinaryIO | None = None) -> None:
        self._stream = stream
        self._waiting: list[bytes] = []

    def add(self, id_: str, method: str, route: str, status: int | None, seconds: float) -> None:
        """One request was answered, or broke off before it had a status."""
        line = {
            "event": "request",
            "logger": "airway.http",
            "level": "info",
            "timestamp": _now(),
            "request_id": id_,
            "method": method,
            "route": route,
            "status": status,
            "milliseconds": round(seconds * 1000, 1),
        }
        if not self._waiting:
            asyncio.get_running_loop().call_soon(self._write)
        self._waiting.append(orjson.dumps(line, option=orjson.OPT_APPEND_NEWLINE))

    def _write(self) -> None:
        stream = self._stream or sys.stderr.buffer
        lines, self._waiting = self._waiting, []
        stream.write(b"".join(lines))
        stream.flush()


def _now() -> str:
    now = time.time()
    return f"{_second(int(now))}.{int(now % 1 * 1_000_000):06d}Z"


@lru_cache(maxsize=2)
def _second(second: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(second))
