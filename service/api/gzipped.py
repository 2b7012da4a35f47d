"""gzip on the way in and on the way out (RFC 9110 section 8.4)."""

import gzip
import re
import zlib
from functools import lru_cache

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.types import Message, Receive

LEAST = 1400
"""Bytes of an answer below which packing saves no network packet."""
_LEVEL = 5
_ON_THE_LOOP = 64 * 1024
"""Longer answers are packed in a worker thread."""
_PIECE = 1024 * 1024
"""Bytes that are unpacked at once, so that no small body becomes a large one in memory."""
_WORTH_IT = (b"application/", b"text/")
_GZIP_WINDOW = zlib.MAX_WBITS | 16


@lru_cache(maxsize=256)
def takes_gzip(accept_encoding: bytes) -> bool:
    """Whether a client that sends this ``Accept-Encoding`` takes gzip."""
    for part in accept_encoding.lower().split(b","):
        name, _, weight = part.partition(b";")
        if name.strip() in (b"gzip", b"x-gzip"):
            return not re.fullmatch(rb"\s*q=0(\.0*)?\s*", weight)
    return False


def is_worth_packing(start: Message) -> bool:
    """Whether the answer that begins with ``start`` is text, long enough, and not packed yet."""
    headers = dict(start["headers"])
    return (
        int(headers.get(b"content-length", b"0")) >= LEAST
        and headers.get(b"content-type", b"").startswith(_WORTH_IT)
        and b"content-encoding" not in headers
    )


async def packed(start: Message, body: bytes) -> tuple[Message, bytes]:
    """The answer in gzip.

    Its tag becomes a weak one: the bytes are others, what they say is the same.
    """
    if len(body) > _ON_THE_LOOP:
        body = await run_in_threadpool(gzip.compress, body, _LEVEL, mtime=0)
    else:
        body = gzip.compress(body, _LEVEL, mtime=0)
    headers = [
        (name, _weak(value) if name == b"etag" else value)
        for name, value in start["headers"]
        if name != b"content-length"
    ]
    headers.append((b"content-encoding", b"gzip"))
    headers.append((b"content-length", str(len(body)).encode()))
    return {**start, "headers": headers}, body


class Unpacked:
    """``receive`` for a body that was sent in gzip: gives it out unpacked, in bounded pieces.

    Raises HTTPException 400 for what is not gzip or breaks off.
    """

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._inflate = zlib.decompressobj(_GZIP_WINDOW)
        self._rest = b""
        self._more = True
        self._unfinished = False

    async def __call__(self) -> Message:
        if not self._rest and not self._unfinished:
            message = await self._receive()
            if message["type"] != "http.request":
                return message
            self._rest, self._more = message.get("body", b""), message.get("more_body", False)
        piece = self._piece()
        more = self._more or self._unfinished or bool(self._rest)
        if not more and not self._inflate.eof:
            raise HTTPException(400, "The gzip body breaks off before its end.")
        return {"type": "http.request", "body": piece, "more_body": more}

    def _piece(self) -> bytes:
        if self._inflate.eof and self._rest:  # gzip may be several members, one after the other
            self._inflate = zlib.decompressobj(_GZIP_WINDOW)
        try:
            piece = self._inflate.decompress(self._rest, _PIECE)
        except zlib.error:
            raise HTTPException(400, "The body is said to be gzip and is not.") from None
        self._unfinished = len(piece) == _PIECE
        self._rest = (
            self._inflate.unused_data if self._inflate.eof else self._inflate.unconsumed_tail
        )
        return piece


def _weak(tag: bytes) -> bytes:
    return tag if tag.startswith(b"W/") else b"W/" + tag
