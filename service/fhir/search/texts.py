"""The words of a resource, for full-text search."""

import html
import re
from collections.abc import Iterator
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.search.rows import folded

_TAGS = re.compile(r"<[^>]*>")
_WORD = re.compile(r"\w+")
_LONGEST = 64
_NOT_WORDS = frozenset(
    {"data", "div", "fullUrl", "id", "reference", "resourceType", "system", "url", "versionId"}
)
"""Properties that hold addresses, or what is there for machines alone."""


def narrative_text(resource: JsonObject) -> str:
    """The narrative without its markup."""
    div = resource.get("text", {}).get("div", "")
    return html.unescape(_TAGS.sub(" ", div))


def words(text: str) -> list[str]:
    """The words of a text as they are compared: no case, no accents."""
    return [word[:_LONGEST] for word in _WORD.findall(folded(text))]


def all_text(resource: JsonObject) -> str:
    """Every text in the resource: the narrative, what is written, displayed and coded."""
    found = [narrative_text(resource)]
    for name, value in resource.items():
        if name not in {"text", "meta"}:
            found += _words(name, value)
    return " ".join(filter(None, found))


def _words(name: str, value: Any) -> Iterator[str]:
    if isinstance(value, str):
        if name not in _NOT_WORDS:
            yield value
    elif isinstance(value, list):
        for one in value:
            yield from _words(name, one)
    elif isinstance(value, dict):
        for key, one in value.items():
            yield from _words(key, one)
