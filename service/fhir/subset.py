"""Parts of a resource: ``_summary`` and ``_elements`` (R4 search.html#summary, #elements).

Cut from the resource as it was read, so that what stays has its digits. What was cut says so with
the tag SUBSETTED. A part may not be valid by itself: an extension that explains why a value is
missing may be gone, and so may a contained resource that something refers to.
"""

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from service.fhir.json import JsonObject, read, write
from service.fhir.r4 import tables
from service.fhir.structure import Element, TypeFacts, type_facts

Summary = Literal["true", "text", "data", "false"]
"""R4's codes; ``count`` asks for no resource at all."""

SUBSETTED = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
}
_ALWAYS = frozenset({"resourceType", "id", "meta"})


@dataclass(frozen=True, slots=True)
class Subset:
    """What to leave of a resource: a summary, or the named elements of its root.

    An element is named without its type (``value``, not ``valueQuantity``). Mandatory elements and
    those that change the meaning of the rest stay, whatever is named.
    """

    summary: Summary = "false"
    elements: frozenset[str] = frozenset()

    def __bool__(self) -> bool:
        """Whether anything is cut at all."""
        return self.summary != "false" or bool(self.elements)

    def of(self, resource: JsonObject) -> JsonObject:
        """The part of the resource, with its tag; the resource itself where nothing is cut."""
        facts = type_facts(resource["resourceType"])
        if not self or facts is None:
            return resource
        kept = resource
        if self.summary == "true":
            kept = _summary(kept, facts)
        elif self.summary == "text":
            kept = _root(kept, {"text", *_marked(facts.name, "required")})
        elif self.summary == "data":
            kept = {name: value for name, value in kept.items() if name != "text"}
        if self.elements:
            needed = _marked(facts.name, "required") | _marked(facts.name, "isModifier")
            kept = _root(kept, self.elements | needed)
        return _tagged(kept)

    def of_body(self, body: bytes) -> bytes:
        """The same for JSON text."""
        return write(self.of(read(body))) if self and body else body


WHOLE = Subset()
"""Nothing is cut."""


def unknown_elements(names: Collection[str], types: Collection[str]) -> list[str]:
    """Those names that no resource of these types has at its root in JSON."""
    known = {
        element.path
        for type_ in types
        if (facts := type_facts(type_)) is not None
        for element in facts.elements.values()
    }
    return [name for name in names if name not in known | _ALWAYS]


def _root(resource: JsonObject, names: Collection[str]) -> JsonObject:
    paths = _paths(resource["resourceType"])
    return {
        name: value
        for name, value in resource.items()
        if name in _ALWAYS or paths.get(name.removeprefix("_")) in names
    }


def _summary(value: JsonObject, facts: TypeFacts) -> JsonObject:
    """What the standard marks for summaries, and what is mandatory or changes the meaning."""
    kept = {}
    for name, part in value.items():
        element = facts.elements.get(name.removeprefix("_"))
        if name in _ALWAYS:
            kept[name] = part
        elif element is not None and element.path in _of_summary(facts.name):
            kept[name] = part if name[0] == "_" else _within(part, element)
    return kept


def _within(part: Any, element: Element) -> Any:
    """A value in a summary; one of a type that marks nothing is kept whole."""
    facts = None if element.primitive else type_facts(element.type)
    if facts is None or not _marked(facts.name, "isSummary"):
        return part
    if isinstance(part, list):
        return [_summary(one, facts) if isinstance(one, dict) else one for one in part]
    return _summary(part, facts) if isinstance(part, dict) else part


@cache
def _of_summary(type_name: str) -> frozenset[str]:
    marks = ("isSummary", "isModifier", "required")
    return frozenset().union(*(_marked(type_name, mark) for mark in marks))


@cache
def _marked(type_name: str, mark: str) -> frozenset[str]:
    """Elements of a type or backbone, without their ``[x]``, that carry this mark."""
    rows = tables.types()[type_name.partition(".")[0]]["elements"]
    return frozenset(
        step.removesuffix("[x]")
        for row in rows
        for parent, _, step in [row["path"].rpartition(".")]
        if parent == type_name and (row["min"] > 0 if mark == "required" else row.get(mark))
    )


@cache
def _paths(type_name: str) -> dict[str, str]:
    facts = type_facts(type_name)
    return {} if facts is None else {e.name: e.path for e in facts.elements.values()}


def _tagged(resource: JsonObject) -> JsonObject:
    meta = resource.get("meta", {})
    tags = [tag for tag in meta.get("tag", ()) if tag != SUBSETTED]
    return resource | {"meta": meta | {"tag": [*tags, SUBSETTED]}}
