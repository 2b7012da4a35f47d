"""What a stored body says: the resource that was accepted, and the server's own metadata."""

from datetime import datetime
from decimal import Decimal
from typing import Any

from service.fhir.json import JsonObject, write

_OWN = frozenset({"versionId", "lastUpdated"})


def stamped(resource: JsonObject, id_: str, version: int, instant: datetime) -> bytes:
    """JSON text of ``resource`` as this version. Everything else that ``meta`` says is kept."""
    meta = {name: value for name, value in resource.get("meta", {}).items() if name not in _OWN}
    rest = {name: value for name, value in resource.items() if name not in ("id", "meta")}
    kind = rest.pop("resourceType")
    return write(
        {
            "resourceType": kind,
            "id": id_,
            "meta": {"versionId": str(version), "lastUpdated": instant_text(instant), **meta},
            **rest,
        }
    )


def instant_text(instant: datetime) -> str:
    """A FHIR instant to the millisecond, in UTC."""
    return instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def says_the_same(stored: JsonObject, resource: JsonObject) -> bool:
    """Whether a resource says what is stored already, apart from id and the server's metadata.

    Numbers differ when their digits do (0.1 is not 0.10); the order of names means nothing.
    """
    return _same(_without_own(stored), _without_own(resource))


def _without_own(resource: JsonObject) -> JsonObject:
    meta = {name: value for name, value in resource.get("meta", {}).items() if name not in _OWN}
    rest = {name: value for name, value in resource.items() if name not in ("id", "meta")}
    return rest | ({"meta": meta} if meta else {})


def _same(one: Any, other: Any) -> bool:
    match one, other:
        case dict(), dict():
            return one.keys() == other.keys() and all(_same(one[n], other[n]) for n in one)
        case list(), list():
            return len(one) == len(other) and all(map(_same, one, other))
        case Decimal(), Decimal():
            return one.as_tuple() == other.as_tuple()
    return type(one) is type(other) and bool(one == other)
