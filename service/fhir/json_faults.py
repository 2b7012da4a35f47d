"""Where in a JSON text the first thing to refuse stands.

Slow and only run on text that the quick reader refused. Nothing here recurses, so hostile nesting
costs time in proportion to its length and no more.
"""

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

_TOKEN = re.compile(r'"(?:[^"\\]|\\.)*"|[{}\[\]:,]|[^\s"{}\[\]:,]+', re.DOTALL)
_NAMELESS = re.compile(r"-?(NaN|Infinity)", re.ASCII)
_NUMBER = re.compile(r"-?[0-9][0-9.eE+-]*", re.ASCII)
_TYPE_NAME = re.compile(r'"(?!resourceType)[A-Za-z]+"', re.ASCII)
_SURROGATE_ESCAPE = re.compile(r"\\u[dD][89a-fA-F]", re.ASCII)


@dataclass(frozen=True, slots=True)
class Fault:
    """What is refused, at which character offset and path."""

    offset: int
    message: str
    path: str
    code: str = "structure"


@dataclass(slots=True)
class _Level:
    """One open object or array on the way to the place being read."""

    is_object: bool
    names: set[str] = field(default_factory=set)
    name: str | None = None
    index: int = 0
    at_name: bool = True


def place(text: str, offset: int) -> tuple[int, int]:
    """Line and column, both from 1, of a character offset."""
    before = text[:offset]
    return before.count("\n") + 1, offset - (before.rfind("\n") + 1) + 1


def find_fault(
    text: str, max_depth: int, check_number: Callable[[str], str | None]
) -> Fault | None:
    """The first repeated name, forbidden number, unpaired surrogate or excess of depth."""
    levels: list[_Level] = []
    root = ""
    for match in _TOKEN.finditer(text):
        part, at = match.group(), match.start()
        if len(levels) == 1 and levels[0].name == "resourceType" and _TYPE_NAME.fullmatch(part):
            root = root or part[1:-1]
        message = _fault_of(part, levels, check_number)
        if message:
            return Fault(at, message, _path(root, levels))
        if part in "{[" and len(levels) > max_depth:
            return Fault(at, f"nested deeper than {max_depth}", "", "too-costly")
    return None


def _fault_of(
    part: str, levels: list[_Level], check_number: Callable[[str], str | None]
) -> str | None:
    level = levels[-1] if levels else None
    if part in "{[":
        levels.append(_Level(is_object=part == "{"))
    elif part in "}]":
        if levels:
            levels.pop()
    elif part == ",":
        _next(level)
    elif part == ":":
        if level:
            level.at_name = False
    elif part.startswith('"'):
        return _text_fault(part, level)
    elif _NAMELESS.fullmatch(part):
        return f"not JSON: {part} is not a number of JSON"
    elif _NUMBER.fullmatch(part):
        return check_number(part)
    return None


def _next(level: _Level | None) -> None:
    if level and level.is_object:
        level.at_name = True
    elif level:
        level.index += 1


def _text_fault(part: str, level: _Level | None) -> str | None:
    if _SURROGATE_ESCAPE.search(part) and _is_unpaired(part):
        return "text has half of a surrogate pair, which is no character"
    if level is None or not (level.is_object and level.at_name):
        return None
    try:
        name = str(json.loads(part))
    except ValueError:
        return None
    level.name = name
    if name in level.names:
        return f'property name "{name[:64]}" is repeated'
    level.names.add(name)
    return None


def _is_unpaired(part: str) -> bool:
    try:
        str(json.loads(part)).encode()
    except UnicodeEncodeError:
        return True
    except ValueError:
        return False
    return False


def _path(root: str, levels: list[_Level]) -> str:
    return (root + "".join(_steps(levels))).removeprefix(".")


def _steps(levels: list[_Level]) -> Iterator[str]:
    for level in levels:
        if not level.is_object:
            yield f"[{level.index}]"
        elif level.name is not None:
            yield f".{level.name}"
