"""The text of an expression cut into tokens (FHIRPath N1, section 12 and its grammar)."""

import re
from collections.abc import Iterator
from typing import NamedTuple

from service.fhir.fhirpath.errors import FhirPathError

MAX_LENGTH = 20_000
"""Longest expression read, in characters."""


class Token(NamedTuple):
    """``kind`` is string, number, date, time, name, quoted, variable, special, symbol or end.

    ``text`` has its quotes and escapes undone; ``at`` is the offset of its first character.
    """

    kind: str
    text: str
    at: int


_DATE = r"\d{4}(?:-\d{2}(?:-\d{2})?)?"
_CLOCK = r"\d{2}(?::\d{2}(?::\d{2}(?:\.\d+)?)?)?"
_PATTERN = re.compile(
    rf"""
      (?P<blank>\s+|//[^\n\r]*|/\*.*?\*/)
    | (?P<time>@T{_CLOCK})
    | (?P<date>@{_DATE}(?:T(?:{_CLOCK})?(?:Z|[+-]\d{{2}}:\d{{2}})?)?)
    | (?P<number>\d+(?:\.\d+)?)
    | (?P<string>'(?:[^'\\]|\\.)*')
    | (?P<quoted>`(?:[^`\\]|\\.)*`)
    | (?P<variable>%(?:[A-Za-z_][A-Za-z0-9_]*|`(?:[^`\\]|\\.)*`|'(?:[^'\\]|\\.)*'))
    | (?P<special>\$(?:this|index|total)\b)
    | (?P<name>[A-Za-z_][A-Za-z0-9_]*)
    | (?P<symbol><=|>=|!=|!~|[-+*/&|<>=~.,()\[\]{{}}])
    """,
    re.VERBOSE | re.DOTALL | re.ASCII,
)
_ESCAPE = re.compile(r"\\(?:u([0-9a-fA-F]{4})|(.))", re.DOTALL)
_ESCAPED = {"f": "\f", "n": "\n", "r": "\r", "t": "\t"} | {c: c for c in "\\/'\"`"}


def tokens(text: str) -> Iterator[Token]:
    """Every token, the last of kind ``end``. Raises FhirPathError on what is no token."""
    if len(text) > MAX_LENGTH:
        raise FhirPathError(f"expression is longer than {MAX_LENGTH} characters", MAX_LENGTH)
    at = 0
    while at < len(text):
        match = _PATTERN.match(text, at)
        if match is None:
            raise FhirPathError(f"{text[at]!r} begins nothing that FHIRPath knows", at)
        kind = match.lastgroup or ""
        if kind != "blank":
            yield Token(kind, _plain(kind, match.group(), at), at)
        at = match.end()
    yield Token("end", "", at)


def _plain(kind: str, text: str, at: int) -> str:
    if kind in ("string", "quoted"):
        return _unescaped(text[1:-1], at)
    if kind == "variable":
        return _unescaped(text[2:-1], at) if text[1] in "`'" else text[1:]
    return text[1:] if kind in ("date", "time", "special") else text


def _unescaped(text: str, at: int) -> str:
    if "\\" not in text:
        return text

    def undo(match: re.Match[str]) -> str:
        code, letter = match.groups()
        if code is not None:
            return chr(int(code, 16))
        if letter not in _ESCAPED:
            raise FhirPathError(f"\\{letter} is no escape of FHIRPath", at)
        return _ESCAPED[letter]

    return _ESCAPE.sub(undo, text)
