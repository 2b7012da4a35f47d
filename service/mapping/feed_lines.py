"""Cutting a stream of bytes into lines, however the stream was cut before.

One line is one row, in JSON lines and in CSV alike: a quotation mark that was never closed must
not swallow the rows after it. A line break inside a quoted field is therefore not read.
"""

from collections.abc import Iterable, Iterator

MAX_LINE_BYTES = 64 * 1024
"""Longest row read. A session document is about 1 kB."""


class LineTooLong:
    """Stands where a line beyond the limit was; its bytes were not kept."""


Line = bytes | LineTooLong


class LineSplitter:
    """Takes chunks as they come and gives the lines they complete, without their line ends."""

    def __init__(self, max_bytes: int = MAX_LINE_BYTES) -> None:
        self._max_bytes = max_bytes
        self._begun = bytearray()
        self._too_long = False

    def take(self, chunk: bytes) -> list[Line]:
        """The lines that end in ``chunk``; memory stays bounded by the limit and the chunk."""
        *ended, rest = chunk.split(b"\n")
        lines = [self._end(part) for part in ended]
        self._continue(rest)
        return lines

    def close(self) -> list[Line]:
        """What stood after the last line end, if anything. Only for a stream that came whole."""
        return [self._end(b"")] if self._begun or self._too_long else []

    def _continue(self, part: bytes) -> None:
        if len(self._begun) + len(part) > self._max_bytes:
            self._too_long = True
            self._begun.clear()
        elif not self._too_long:
            self._begun += part

    def _end(self, part: bytes) -> Line:
        self._continue(part)
        line: Line = LineTooLong() if self._too_long else bytes(self._begun).removesuffix(b"\r")
        self._begun.clear()
        self._too_long = False
        return line


def lines_of(chunks: Iterable[bytes], max_bytes: int = MAX_LINE_BYTES) -> Iterator[Line]:
    """The lines of a stream that ends where its chunks end."""
    splitter = LineSplitter(max_bytes)
    for chunk in chunks:
        yield from splitter.take(chunk)
    yield from splitter.close()
