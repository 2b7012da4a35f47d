"""Answers go out in one piece.

The server writes the head of an answer and its body one after the other: two calls of the operating
system and, for a short answer, two packets. Here what is written within one turn of the event loop
goes out together.
"""

import asyncio
from typing import Any, cast

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol


class OnePiece(HttpToolsProtocol):
    """The server's own HTTP protocol, over a transport that gathers what is written."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(cast(asyncio.Transport, Gathering(transport, self.loop)))


class Gathering:
    """Writes what was written in a turn of the loop at its end; all else is the transport's."""

    def __init__(self, transport: asyncio.Transport, loop: asyncio.AbstractEventLoop) -> None:
        self._transport = transport
        self._loop = loop
        self._pieces: list[bytes] = []

    def write(self, data: bytes) -> None:
        if not self._pieces:
            self._loop.call_soon(self._flush)
        self._pieces.append(data)

    def close(self) -> None:
        self._flush()
        self._transport.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._transport, name)

    def _flush(self) -> None:
        pieces, self._pieces = self._pieces, []
        if pieces and not self._transport.is_closing():
            self._transport.writelines(pieces)
