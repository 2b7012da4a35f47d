"""The words of a resource, for ``_text`` and ``_content``.

There is a row for every word, as it is compared; a search for several words has a condition for
each. Whole words are found, no parts and no other forms of them.
"""

import html
import re
from collections.abc import Iterator
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.search.rows import folded
from service.fhir.search.terms import TokenRow

NARRATIVE, CONTENT = "_text", "_content"

_TAGS = re.compile(r"<[^>]*>")
_WORD = re.compile(r"\w+")
_MOMENT = re.compile(r"\d{4}(-\d\d(-\d\d(T.*)?)?)?", re.ASCII)
_LONGEST = 64
_NOT_WORDS = frozenset(
    {"data", "div", "fullUrl", "id", "reference", "resourceType", "system", "url", "versionId"}
)
"""Properties that hold addresses, or what is there for machines alone."""


def words(text: str) -> list[str]:
    """The words of a text as they are compared: no case, no accents."""
    return [word[:_LONGEST] for word in _WORD.findall(folded(text))]


def text_rows(resource: JsonObject, *, content: bool) -> Iterator[TokenRow]:
    """The words of the narrative; with ``content`` also those that occur only elsewhere."""
    narrative = dict.fromkeys(words(_narrative(resource)))
    for word in narrative:
        yield TokenRow(NARRATIVE, "", word)
    if content:
        written = " ".join(_written(resource))
        for word in dict.fromkeys(words(written)):
            if word not in narrative:
                yield TokenRow(CONTENT, "", word)


def _narrative(resource: JsonObject) -> str:
    """The narrative without its markup."""
    div = resource.get("text", {}).get("div", "")
    return html.unescape(_TAGS.sub(" ", div))


def _written(resource: JsonObject) -> Iterator[str]:
    """What is written, displayed and coded, outside the narrative."""
    for name, value in resource.items():
        if name not in {"text", "meta"}:
            yield from _texts(name, value)


def _texts(name: str, value: Any) -> Iterator[str]:
    if isinstance(value, str):
        if name not in _NOT_WORDS and not _MOMENT.fullmatch(value):
            yield value
    elif isinstance(value, list):
        for one in value:
            yield from _texts(name, one)
    elif isinstance(value, dict):
        for key, one in value.items():
            yield from _texts(key, one)
