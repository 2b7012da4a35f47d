"""Whether a resource may be used at all, or says something that changes its meaning unseen."""

from collections.abc import Iterator
from typing import Any

from service.fhir.json import JsonObject

_MARKS = frozenset({"modifierExtension", "implicitRules", "doNotPerform", "comparator"})
_IN_TEXT = tuple(mark.encode() for mark in sorted(_MARKS))
_ESCAPE = b"\\"
"""What a name may hide behind: found at once, where a search for more than a byte takes longer."""


def may_bend(text: bytes) -> bool:
    """Whether the JSON of a resource has any of what ``why_not_interpretable`` looks for.

    Told from the text alone, for those who ask of many resources.
    """
    return _ESCAPE in text or any(map(text.__contains__, _IN_TEXT))


def why_not_interpretable(resource: JsonObject) -> str | None:
    """Why ``resource`` must not be used, or None when it may be.

    FHIR R4, extensibility: whoever meets a modifier extension that it does not know must not act
    on the element. We define none, so every one is unknown. Elements that negate or bend what we
    read are treated the same: implicitRules, ServiceRequest.doNotPerform, Quantity.comparator.
    """
    if not _is_marked(resource):
        return None
    return next(_reasons(resource, resource.get("resourceType", "")), None)


def _is_marked(resource: JsonObject) -> bool:
    """Whether any of the names is there at all, which is seldom and soon known."""
    layer: list[Any] = [resource]
    while layer:
        value = layer.pop()
        if isinstance(value, dict):
            if not _MARKS.isdisjoint(value):
                return True
            layer += value.values()
        elif isinstance(value, list):
            layer += value
    return False


def _reasons(value: Any, place: str) -> Iterator[str]:
    if isinstance(value, list):
        for at, item in enumerate(value):
            yield from _reasons(item, f"{place}[{at}]")
    if not isinstance(value, dict):
        return
    for extension in value.get("modifierExtension", []):
        yield f"{place}.modifierExtension: {extension.get('url', 'without url')} is not understood"
    if "implicitRules" in value:
        yield f"{place}.implicitRules: rules that are not understood"
    if value.get("doNotPerform") is True:
        yield f"{place}.doNotPerform: says what is not to be done"
    if "comparator" in value:
        yield f"{place}.comparator: not a value but a limit"
    for name, part in value.items():
        yield from _reasons(part, f"{place}.{name}")
