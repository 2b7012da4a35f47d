"""What a stored body says: the resource that was accepted, and the server's own metadata."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, Final

from service.fhir.json import MAX_BYTES, JsonObject, write
from service.store.contract import Version

_OWN = frozenset({"versionId", "lastUpdated"})
_STAMP = b',"meta":{"versionId":"%d","lastUpdated":"%b"'
_LONGEST_STAMP = len(_STAMP % (2**31, b"2031-03-09T12:00:00.000Z"))

LONGEST: Final = MAX_BYTES - _LONGEST_STAMP - len(b"}")
"""Bytes of a resource's text, where it has no ``meta`` of its own. Whatever is stored must be read
again, with the server's metadata in it, whichever version it is."""


@dataclass(frozen=True, slots=True)
class Unstamped:
    """The JSON text of a resource but for its version: what stands before and after that."""

    head: bytes
    tail: bytes

    @property
    def fits(self) -> bool:
        """Whether it can be stored as any version."""
        return len(self.head) + _LONGEST_STAMP + len(self.tail) <= MAX_BYTES

    def stamped(self, version: int, instant: datetime) -> bytes:
        """The text as this version."""
        stamp = _STAMP % (version, instant_text(instant).encode())
        return b"".join((self.head, stamp, self.tail))


def unstamped(resource: JsonObject, id_: str) -> Unstamped:
    """``resource`` under this id. Everything that ``meta`` says beyond the server's own is kept."""
    meta = {name: value for name, value in resource.get("meta", {}).items() if name not in _OWN}
    rest = {name: value for name, value in resource.items() if name not in ("id", "meta")}
    head = write({"resourceType": rest.pop("resourceType"), "id": id_})
    return Unstamped(head[:-1], _continued(meta) + _continued(rest))


def stamped(resource: JsonObject, id_: str, version: int, instant: datetime) -> bytes:
    """JSON text of ``resource`` as this version."""
    return unstamped(resource, id_).stamped(version, instant)


def _continued(members: JsonObject) -> bytes:
    """The rest of an object that has members already."""
    return b"," + write(members)[1:] if members else b"}"


def moment_after(now: datetime, versions: Iterable[Version]) -> datetime:
    """When a unit of work happens: now to the millisecond, never before what it builds on."""
    now = now.astimezone(UTC)
    now = now.replace(microsecond=now.microsecond // 1000 * 1000)
    return max([now, *(version.instant for version in versions)])


def instant_text(instant: datetime) -> str:
    """A FHIR instant to the millisecond, in UTC."""
    return instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def says_the_same(stored: JsonObject, resource: JsonObject) -> bool:
    """Whether a resource says what is stored already, apart from id and the server's metadata.

    Numbers differ when their digits do (0.1 is not 0.10); the order of names means nothing.
    """
    return _same(_without_own(stored), _without_own(resource))


def _without_own(resource: JsonObject) -> JsonObject:
    """``resource`` may be a patched one that nobody has checked yet."""
    rest = {name: value for name, value in resource.items() if name != "id"}
    if isinstance(meta := rest.get("meta"), dict):
        rest["meta"] = {name: value for name, value in meta.items() if name not in _OWN}
        if not rest["meta"]:
            del rest["meta"]
    return rest


def _same(one: Any, other: Any) -> bool:
    match one, other:
        case dict(), dict():
            return one.keys() == other.keys() and all(_same(one[n], other[n]) for n in one)
        case list(), list():
            return len(one) == len(other) and all(map(_same, one, other))
        case Decimal(), Decimal():
            return one.as_tuple() == other.as_tuple()
    return type(one) is type(other) and bool(one == other)
