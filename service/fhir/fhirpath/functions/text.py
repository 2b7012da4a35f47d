"""String manipulation (FHIRPath N1, section 5.6; ``matchesFull``, ``trim``, ``split`` and ``join``
are of the build after it)."""

import re
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.functions.collections import whole
from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection, plain
from service.fhir.fhirpath.logic import MOST_CHARACTERS, NONE, single, text
from service.fhir.fhirpath.scope import Scope


def string(items: Collection, name: str) -> str | None:
    """The one String of a collection, None where it is empty. Raises FhirPathError for others."""
    value = plain(single(items))
    if value is not None and type(value) is not str:
        raise FhirPathError(f"{name}() takes a String")
    return value


def _enter(name: str, arguments: int, work: Callable[..., Any]) -> None:
    """A function of Strings that is empty where the input or an argument is."""

    def apply(items: Collection, _: Scope, *others: Collection) -> Collection:
        values = [string(each, name) for each in (items, *others)]
        answer = None if None in values else work(*values)
        if type(answer) is str:
            return text(answer)
        return NONE if answer is None else [answer]

    function(name, arguments)(apply)


@lru_cache(maxsize=256)
def pattern(text: str) -> re.Pattern[str]:
    """A regular expression; the dot takes line breaks too (N1: single-line mode)."""
    try:
        return re.compile(text, re.DOTALL)
    except (re.error, OverflowError, RecursionError):
        raise FhirPathError("a regular expression cannot be read") from None


_GROUP = re.compile(r"\$(?:(\d+)|\{(\w+)\})|\\(.)|\\", re.DOTALL)


def _replace_matches(text: str, expression: str, substitution: str) -> str:
    if expression == "":
        return text

    def fill(match: re.Match[str]) -> str:
        def group(place: re.Match[str]) -> str:
            if place[1] or place[2]:
                try:
                    return match[int(place[1]) if place[1] else place[2]] or ""
                except IndexError:
                    raise FhirPathError("a substitution names a group that is not there") from None
            return place[3] or ""

        return _GROUP.sub(group, substitution)

    return pattern(expression).sub(fill, text)


def _replace(value: str, part: str, by: str) -> str:
    if (value.count(part) + 1) * len(by) > MOST_CHARACTERS:
        raise FhirPathError(f"a String of more than {MOST_CHARACTERS} characters")
    return value.replace(part, by)


_enter("startsWith", 1, str.startswith)
_enter("endsWith", 1, str.endswith)
_enter("contains", 1, lambda text, part: part in text)
_enter("indexOf", 1, str.find)
_enter("lastIndexOf", 1, str.rfind)
_enter("upper", 0, str.upper)
_enter("lower", 0, str.lower)
_enter("trim", 0, str.strip)
_enter("length", 0, len)
_enter("replace", 2, _replace)
_enter("matches", 1, lambda text, expression: pattern(expression).search(text) is not None)
_enter("matchesFull", 1, lambda text, expression: pattern(expression).fullmatch(text) is not None)
_enter("replaceMatches", 2, _replace_matches)


@function("substring", 1, 2)
def _substring(
    items: Collection, _: Scope, start: Collection, length: Collection | None = None
) -> Collection:
    text, first = string(items, "substring"), whole(start, "substring")
    count = None if length is None else whole(length, "substring")
    if text is None or first is None or not 0 <= first < len(text):
        return NONE
    return [text[first:] if count is None else text[first : first + max(count, 0)]]


@function("toChars")
def _to_chars(items: Collection, _: Scope) -> Collection:
    return list(string(items, "toChars") or "")


@function("split", 1)
def _split(items: Collection, _: Scope, separator: Collection) -> Collection:
    text, between = string(items, "split"), string(separator, "split")
    if text is None or between is None:
        return NONE
    return list(text.split(between)) if between else list(text)


@function("join", 0, 1)
def _join(items: Collection, _: Scope, separator: Collection = NONE) -> Collection:
    parts = [string([item], "join") for item in items]
    between = string(separator, "join") or ""
    return [between.join(part for part in parts if part is not None)] if items else NONE
