"""References between the resources of a programme: who points where, and what others put there."""

from collections.abc import Callable, Mapping, Sequence
from copy import deepcopy
from typing import Any

from service.fhir.json import JsonObject
from service.mapping.path import Step

Resolve = Callable[[str], JsonObject | None]
"""From ``Type/id`` to the resource, None where there is none (or none that may be seen)."""

_TARGET = frozenset({"reference", "identifier", "display", "type"})
_OF_ONE_VERSION = frozenset({"versionId", "lastUpdated", "source"})


def reference_of(resource: JsonObject) -> str:
    """``Type/id`` of a resource."""
    return f"{resource['resourceType']}/{resource['id']}"


def carried(type_: str, id_: str, earlier: JsonObject | None) -> JsonObject:
    """A new resource that begins with everything of ``earlier`` but its identity and version."""
    kept = deepcopy(earlier or {})
    meta = {
        name: part for name, part in kept.pop("meta", {}).items() if name not in _OF_ONE_VERSION
    }
    kept = {name: part for name, part in kept.items() if name not in ("resourceType", "id")}
    return {"resourceType": type_, "id": id_} | ({"meta": meta} if meta else {}) | kept


def pointing(old: JsonObject | None, new: JsonObject) -> JsonObject:
    """The reference ``new``, with what others added to the one that it replaces."""
    old = old or {}
    kept = {name: part for name, part in old.items() if name not in _TARGET}
    if is_same_identifier(old.get("identifier", {}), new.get("identifier", {})):
        kept |= {"identifier": old["identifier"]} if "identifier" in old else {}
    return {**deepcopy(new), **kept}


def relink(
    resource: JsonObject,
    element: str,
    former: Mapping[str, str],
    new: Mapping[str, str],
    inner: str | None = None,
) -> None:
    """Replace our references in a repeating element; those of others stay where they are.

    ``former`` goes from the reference that was to the name of its part, ``new`` from the name of
    a part to its reference, in order. ``inner`` is the element inside each repetition that holds
    the reference (``activity.reference``).
    """
    items: Sequence[JsonObject] = resource.get(element, [])
    places = {
        former[target]: at
        for at, item in enumerate(items)
        if (target := target_of(item, inner)) in former
    }
    linked = []
    for name, reference in new.items():
        old = items[places[name]] if name in places else {}
        linked.append(_linked(old, reference, inner))
    Step(element, repeats=True).splice(resource, sorted(places.values()), linked)


def target_of(item: JsonObject, inner: str | None = None) -> str:
    """The ``Type/id`` that a repetition refers to; empty where it refers to nothing."""
    reference: Any = item.get(inner, {}) if inner else item
    return str(reference.get("reference", ""))


def is_same_identifier(one: JsonObject, other: JsonObject) -> bool:
    """Whether two identifiers are the same number of the same system."""
    return (one.get("system"), one.get("value")) == (other.get("system"), other.get("value"))


def _linked(old: JsonObject, reference: str, inner: str | None) -> JsonObject:
    new = {"reference": reference}
    return {**old, inner: pointing(old.get(inner), new)} if inner else pointing(old, new)
