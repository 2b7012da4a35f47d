"""Labels of a resource: the profiles, tags and security labels in its ``meta``.

They are sets (R4 operations Resource-meta-add and -delete): a tag or security label is the same as
another of its system and code, a profile as another of its URL.
"""

from collections.abc import Callable, Iterable
from typing import Any

from service.fhir.json import JsonObject

Same = tuple[Any, ...]


def with_labels(resource: JsonObject, meta: JsonObject) -> JsonObject:
    """The resource with these labels too; those that it has stay as they are."""
    own = resource.get("meta", {})
    more = {
        name: _each([*own.get(name, ()), *meta[name]], identity)
        for name, identity in _LABELS
        if meta.get(name)
    }
    return resource | {"meta": own | more} if more else resource


def without_labels(resource: JsonObject, meta: JsonObject) -> JsonObject:
    """The resource without these labels; it is no error when it has none of them."""
    own = resource.get("meta", {})
    kept = dict(own)
    for name, identity in _LABELS:
        unwanted = {identity(label) for label in meta.get(name, ())}
        rest = [label for label in own.get(name, ()) if identity(label) not in unwanted]
        kept.pop(name, None)
        kept |= {name: rest} if rest else {}
    return resource | {"meta": kept}


def _each(labels: Iterable[Any], identity: Callable[[Any], Same]) -> list[Any]:
    first: dict[Same, Any] = {}
    for label in labels:
        first.setdefault(identity(label), label)
    return list(first.values())


def _of_coding(coding: JsonObject) -> Same:
    return (coding.get("system"), coding.get("code"))


def _of_profile(url: str) -> Same:
    return (url,)


_LABELS: tuple[tuple[str, Callable[[Any], Same]], ...] = (
    ("profile", _of_profile),
    ("security", _of_coding),
    ("tag", _of_coding),
)
