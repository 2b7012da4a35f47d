"""Where in a JSON text the element stands that a finding names.

Slower than reading and of no use for a clean text, so it is only done where something was found.
One pass over the text notes each value in twelve bytes; nothing recurses.
"""

import json
import re
from array import array
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import replace

from service.fhir.outcome import Finding

_TOKEN = re.compile(
    r'("(?:[^"\\]++|\\.)*+")(\s*+:)?|([{\[])|([}\]])|[^\s"{}\[\]:,]++', re.ASCII | re.DOTALL
)
_NAME, _OPENING, _CLOSING = 2, 3, 4
"""The last group of ``_TOKEN`` that takes part; any other token is a value by itself."""
_STEP = re.compile(r"\[(\d{1,9})\]|([^.\[\]]+)", re.ASCII)
_UNNAMED = 0
"""In place of a name's offset: no name is the first character of a text."""


class Positions:
    """The places of the values in one JSON text (UTF-8) that ``service.fhir.json.read`` takes."""

    def __init__(self, text: bytes) -> None:
        self._text = text.decode("utf-8-sig")
        self._starts, self._names, self._ends = array("I"), array("I"), array("I")
        """Of each value, in the order of the text: its offset, that of its property's name, and
        the number of the first value that is not inside it."""
        self._note_values()
        self._lines = array("I", [0])
        self._lines.extend(match.end() for match in re.finditer("\n", self._text))
        self._members: dict[int, dict[str, int]] = {}
        self._elements: dict[int, array[int]] = {}

    def of(self, expression: str) -> tuple[int, int] | None:
        """Line and column, from 1 and in characters, of the value that a FHIRPath names.

        A step finds a choice of types by its beginning (``value`` finds ``valueQuantity``) and the
        extensions of a primitive under its name with an underscore. An element that is not there
        has the place of the nearest one around it. None for what is not in a text at all: the
        ``http.`` expressions of R4 OperationOutcome.issue.expression.
        """
        if expression.startswith("http."):
            return None
        here = [0]
        for number, step in enumerate(_STEP.finditer(expression)):
            found = list(self._below(here, step))
            if not found and number == 0 and expression[:1].isupper():
                continue  # the type of the resource
            if not found:
                break
            here = found
        offset = self._starts[here[0]]
        line = bisect_right(self._lines, offset)
        return line, offset - self._lines[line - 1] + 1

    def _note_values(self) -> None:
        starts, names, ends = self._starts, self._names, self._ends
        opened: list[int] = []
        name = _UNNAMED
        for token in _TOKEN.finditer(self._text):
            kind = token.lastindex
            if kind == _NAME:
                name = token.start()
                continue
            if kind == _CLOSING:
                ends[opened.pop()] = len(starts)
                continue
            if kind == _OPENING:
                opened.append(len(starts))
            starts.append(token.start())
            names.append(name)
            ends.append(len(starts))
            name = _UNNAMED

    def _below(self, values: list[int], step: re.Match[str]) -> Iterator[int]:
        """What a step leads to from a value, or from a primitive and its extensions."""
        index, name = step.groups()
        for value in values:
            opening = self._text[self._starts[value]]
            if name is not None and opening == "{":
                members = self._members_of(value)
                yield from (members[one] for one in _called(name, members))
            elif index is not None and opening == "[":
                yield from self._elements_of(value)[int(index) : int(index) + 1]
            elif index is not None and int(index) == 0:
                yield value

    def _members_of(self, value: int) -> dict[str, int]:
        if value not in self._members:
            self._members[value] = {self._name(inner): inner for inner in self._inside(value)}
        return self._members[value]

    def _elements_of(self, value: int) -> "array[int]":
        if value not in self._elements:
            self._elements[value] = array("I", self._inside(value))
        return self._elements[value]

    def _inside(self, value: int) -> Iterator[int]:
        inner, end = value + 1, self._ends[value]
        while inner < end:
            yield inner
            inner = self._ends[inner]

    def _name(self, value: int) -> str:
        token = _TOKEN.match(self._text, self._names[value])
        return str(json.loads(token[1])) if token else ""


class Text:
    """A JSON text whose places are looked up only when something was found in it, and then once."""

    def __init__(self, text: bytes) -> None:
        self._text = text
        self._positions: Positions | None = None

    def located(self, findings: Iterable[Finding], place: str = "") -> list[Finding]:
        """The findings with their lines and columns; those that have them keep them.

        ``place``: where in the text the resource stands that the findings are about, as a FHIRPath
        from the outermost object, without its type. A text that cannot be read has one finding,
        located by the reader.
        """
        found = list(findings)
        if all(finding.line is not None for finding in found):
            return found
        if self._positions is None:
            self._positions = Positions(self._text)
        return [_placed(finding, self._positions, place) for finding in found]


def located(findings: Iterable[Finding], text: bytes) -> list[Finding]:
    """The findings in a text that is read once, with their lines and columns."""
    return Text(text).located(findings)


def _placed(finding: Finding, positions: Positions, place: str) -> Finding:
    if finding.line is not None:
        return finding
    expression = finding.expression
    if place and not expression.startswith("http."):
        if expression[:1].isupper():  # begins with the type of the resource
            expression = expression.partition(".")[2]
        expression = f"{place}.{expression}" if expression else place
    found = positions.of(expression)
    return finding if found is None else replace(finding, line=found[0], column=found[1])


def _called(step: str, members: dict[str, int]) -> list[str]:
    """The properties that a FHIRPath step means: itself, or the first that is a choice of it."""
    found = [name for name in (step, f"_{step}") if name in members]
    if found:
        return found
    for member in members:
        name = member.removeprefix("_")
        if name.startswith(step) and name[len(step)].isupper():
            return [one for one in (name, f"_{name}") if one in members]
    return []
