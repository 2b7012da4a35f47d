"""Random edits of JSON documents: most break something, some nothing."""

import copy
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

ODD: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 101,
    Decimal("0.50"), Decimal("-0.0"), Decimal("100.00000000000000001"),
    "", " ", "x", "X y", "\u00a0", "line\nbreak", "\x07", "final", "not-done",
    "2031", "2031-05", "2031-02-30", "07:05:00", "2031-05-01T07:05:00Z",
    "2031-05-01T07:05:00+14:00", "2031-05-01T07:05:60+00:00", "2031-05-01T07:05:00.1234567Z",
    "urn:uuid:x", "http://loinc.org", "http://example.org/a b",
    "Patient/p", "#p", "/p", "Group/1", "http://x.example/Patient/1/_history/2",
    {}, [], [None], {"id": "a"}, {"value": 1}, {"text": "x"}, {"coding": [{"code": "x"}]},
    {"reference": "Patient/p", "type": "Group"},
    {"system": "http://unitsofmeasure.org", "code": "min"},
    [{"url": "http://example.org/e", "valueString": "x"}],
)  # fmt: skip
"""Values put in the place of others."""
NAMES = ("id", "extension", "modifierExtension", "value", "valueString", "code", "text",
         "contained", "_status", "language", "period", "unlisted")  # fmt: skip
"""Properties added where they may not belong."""


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every container with every key or index in it."""
    if isinstance(value, dict | list):
        for key in list(value) if isinstance(value, dict) else range(len(value)):
            yield value, key
            yield from places(value[key])


@st.composite
def edited(draw: st.DrawFn, documents: list[Any], most: int = 3) -> Any:
    """One of the documents with up to ``most`` edits."""
    document = copy.deepcopy(draw(st.sampled_from(documents)))
    for _ in range(draw(st.integers(0, most))):
        found = list(places(document))
        owner, key = found[draw(st.integers(0, len(found) - 1))]
        edit(draw, owner, key, found)
    return document


def edit(draw: st.DrawFn, owner: Any, key: Any, found: list[tuple[Any, Any]]) -> None:
    """Remove, replace, wrap, repeat, add, or put the value of another place here."""
    kind = draw(st.sampled_from(["remove", "odd", "wrap", "repeat", "add", "other", "reorder"]))
    if kind == "remove":
        del owner[key]
    elif kind == "odd":
        owner[key] = copy.deepcopy(draw(st.sampled_from(ODD)))
    elif kind == "wrap":
        owner[key] = [owner[key]]
    elif kind == "repeat" and isinstance(owner, list):
        owner.append(copy.deepcopy(owner[key]))
    elif kind == "add" and isinstance(owner, dict):
        owner[draw(st.sampled_from(NAMES))] = copy.deepcopy(draw(st.sampled_from(ODD)))
    elif kind == "other":
        other, at = found[draw(st.integers(0, len(found) - 1))]
        owner[key] = copy.deepcopy(other[at])
    elif kind == "reorder" and isinstance(owner, dict):
        owner[key] = owner.pop(key)
