"""Cutting a file or standard input into the resources it holds.

A file is one resource (a Bundle is one), or NDJSON with one resource a line; a blank line is none.
Text that is not JSON is a piece like any other, so that it gets an answer of its own.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from service.fhir.json import JsonError, read

STANDARD_INPUT = Path("-")


@dataclass(frozen=True, slots=True)
class Piece:
    """The text of one resource and where it was found (``line`` counts from 1)."""

    source: str
    line: int
    text: bytes


def pieces(path: Path) -> Iterator[Piece]:
    """The resources in ``path`` in their order; ``-`` is standard input.

    Raises ``OSError`` when the file cannot be read.
    """
    if path == STANDARD_INPUT:
        yield from _of_stream(sys.stdin.buffer, "standard input", lines_by_name=False)
        return
    with path.open("rb") as stream:
        by_name = path.suffix in (".ndjson", ".jsonl")
        yield from _of_stream(stream, str(path), lines_by_name=by_name)


def _of_stream(stream: BinaryIO, source: str, *, lines_by_name: bool) -> Iterator[Piece]:
    if lines_by_name:
        yield from _of_lines(stream, source)
        return
    text = stream.read()
    if _is_one_a_line(text):
        yield from _of_lines(text.split(b"\n"), source)
    elif text.strip():
        yield Piece(source, 1, text)


def _of_lines(lines: Iterator[bytes] | BinaryIO | list[bytes], source: str) -> Iterator[Piece]:
    for number, line in enumerate(lines, start=1):
        if line.strip():
            yield Piece(source, number, line.rstrip(b"\r\n"))


def _is_one_a_line(text: bytes) -> bool:
    """Not JSON as a whole, but one line of several looks like an object from its first column."""
    lines = [line.rstrip() for line in text.split(b"\n") if line.strip()]
    if len(lines) < 2 or not any(line[:1] == b"{" and line[-1:] == b"}" for line in lines):
        return False
    try:
        read(text)
    except JsonError:
        return True
    return False
