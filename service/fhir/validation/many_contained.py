"""Two constraints on contained resources in linear time, for resources that contain many.

As FHIRPath, dom-3 (each is referred to) and ref-1 (a ``#`` reference reaches one) compare every
contained resource with every reference, whose cost grows with the square of their number.
"""

from collections.abc import Iterator
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.validation.scope import Scope

MANY = 64
"""Up to this number the FHIRPath expressions are evaluated as they stand."""


def contains_many(scope: Scope) -> bool:
    """Whether the root of a scope contains so many that the quick way is taken."""
    contained = scope.root.resource.get("contained")
    return isinstance(contained, list) and len(contained) > MANY


def holds(key: str, value: Any, scope: Scope) -> bool | None:
    """dom-3 of a resource or ref-1 of a Reference; None for any other constraint."""
    if key == "dom-3" and isinstance(value, dict):
        return _all_named(value)
    if key == "ref-1" and isinstance(value, dict):
        text = value.get("reference")
        return not isinstance(text, str) or not text.startswith("#") or text == "#" \
            or text[1:] in scope.root.contained_ids()  # fmt: skip
    return None


def _all_named(resource: JsonObject) -> bool:
    """Whether something says ``#id`` of each contained resource, or that itself says ``#``."""
    named = set(_local(resource))
    contained = resource.get("contained")
    return all(
        f"#{inner.get('id')}" in named or "#" in _local(inner)
        for inner in (contained if isinstance(contained, list) else [])
        if isinstance(inner, dict)
    )


def _local(value: Any) -> Iterator[str]:
    waiting = [value]
    while waiting:
        part = waiting.pop()
        if isinstance(part, str):
            if part.startswith("#"):
                yield part
        elif isinstance(part, list):
            waiting.extend(part)
        elif isinstance(part, dict):
            waiting.extend(part.values())
