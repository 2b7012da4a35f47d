"""The grammar of a UCUM code (The Unified Code for Units of Measure, sections 2.1 to 2.4).

code       = ["/"] term
term       = component { ("." | "/") component }
component  = ( "(" term ")" | number | unit [exponent] ) [annotation] | annotation
unit       = [prefix] metric unit | other unit
"""

import json
import re
from functools import cache, lru_cache
from pathlib import Path


@cache
def _codes(kind: str) -> frozenset[str]:
    table = json.loads(Path(__file__).with_name("units.json").read_text("utf-8"))
    return frozenset(table[kind])


_LONGEST = 128
_ANNOTATION = re.compile(r"\{[ !-z|~]*\}", re.ASCII)
"""With blanks, which UCUM does not allow there: R4's own value sets list such codes."""
_NUMBER = re.compile(r"[0-9]++(?![*^])", re.ASCII)
_SYMBOL = re.compile(r"(?:10[*^]|[^\[\]()./{}0-9+-]|\[[^\[\]{}]*\]|(?<=_)[0-9])+", re.ASCII)
_EXPONENT = re.compile(r"[+-]?[0-9]+", re.ASCII)


class _Reader:
    """Reads one code from left to right; every step answers where it ended, or -1."""

    def __init__(self, code: str) -> None:
        self._code = code

    def whole(self) -> bool:
        start = 1 if self._code.startswith("/") else 0
        return self._term(start) == len(self._code)

    def _term(self, at: int) -> int:
        at = self._component(at)
        while 0 <= at < len(self._code) and self._code[at] in "./":
            at = self._component(at + 1)
        return at

    def _component(self, at: int) -> int:
        if self._code.startswith("(", at):
            end = self._term(at + 1)
            closed = end >= 0 and self._code.startswith(")", end)
            return self._noted(end + 1) if closed else -1
        note = _ANNOTATION.match(self._code, at)
        if note:
            return note.end()
        number = _NUMBER.match(self._code, at)
        return self._noted(number.end()) if number else self._unit(at)

    def _unit(self, at: int) -> int:
        symbol = _SYMBOL.match(self._code, at)
        if symbol is None or not is_unit(symbol[0]):
            return -1
        exponent = _EXPONENT.match(self._code, symbol.end())
        return self._noted(exponent.end() if exponent else symbol.end())

    def _noted(self, at: int) -> int:
        note = _ANNOTATION.match(self._code, at)
        return note.end() if note else at


def is_unit(symbol: str) -> bool:
    """Whether UCUM has such a unit, with or without a prefix."""
    metric = _codes("metric")
    if symbol in metric or symbol in _codes("plain"):
        return True
    return any(symbol[:n] in _codes("prefixes") and symbol[n:] in metric for n in (1, 2))


@lru_cache(maxsize=4096)
def is_ucum(code: str) -> bool:
    """Whether a text is a code of UCUM, in its case-sensitive form."""
    return 0 < len(code) <= _LONGEST and _Reader(code).whole()
