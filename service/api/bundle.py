"""Answer Bundles, put together from the stored bytes of their entries.

Nothing stored is read and written again on its way out, so no digit can change.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from http import HTTPStatus

from service.api.headers import etag
from service.fhir.json import write
from service.fhir.outcome import Finding, operation_outcome
from service.fhir.subset import WHOLE, Subset
from service.record.bodies import instant_text
from service.store.contract import Version


@dataclass(frozen=True, slots=True)
class Link:
    relation: str
    url: str


def bundle(
    kind: str,
    entries: Iterable[bytes],
    *,
    total: int | None = None,
    links: Sequence[Link] = (),
    **more: object,
) -> bytes:
    """A Bundle of this type, with ``more`` elements, around entries that are JSON text already."""
    head: dict[str, object] = {"resourceType": "Bundle", "type": kind, **more}
    if total is not None:
        head["total"] = total
    if links:
        head["link"] = [{"relation": link.relation, "url": link.url} for link in links]
    start = write(head)
    joined = b",".join(entries)
    if not joined:
        return start
    return b'%b,"entry":[%b]}' % (start[:-1], joined)


def plain_entry(resource: bytes, address: str) -> bytes:
    """A resource and where it is."""
    return _entry(resource, address, b"")


def match_entry(version: Version, base: str, subset: Subset = WHOLE) -> bytes:
    """A resource that a search found, or a part of it."""
    body = subset.of_body(version.body)
    return _entry(body, full_url(version, base), b'"search":{"mode":"match"}')


def include_entry(version: Version, base: str, subset: Subset = WHOLE) -> bytes:
    """A resource that comes with what a search found, or a part of it."""
    body = subset.of_body(version.body)
    return _entry(body, full_url(version, base), b'"search":{"mode":"include"}')


def outcome_entry(findings: Sequence[Finding]) -> bytes:
    """What the server has to say about the search itself."""
    return _entry(write(operation_outcome(findings)), None, b'"search":{"mode":"outcome"}')


def history_entry(version: Version, base: str, subset: Subset = WHOLE) -> bytes:
    """A version, or a part of it, and the request that made it."""
    method = "DELETE" if version.deleted else "POST" if version.version == 1 else "PUT"
    address = version.type if method == "POST" else f"{version.type}/{version.id}"
    status = 204 if version.deleted else 201 if version.version == 1 else 200
    request = write({"method": method, "url": address})
    response = write(
        {
            "status": status_line(status),
            "etag": etag(version.version),
            "lastModified": instant_text(version.instant),
        }
    )
    tail = b'"request":%b,"response":%b' % (request, response)
    body = None if version.deleted else subset.of_body(version.body)
    return _entry(body, full_url(version, base), tail)


def response_entry(
    status: int,
    *,
    location: str | None = None,
    tag: str | None = None,
    modified: str | None = None,
    resource: bytes | None = None,
    outcome: bytes | None = None,
) -> bytes:
    """What became of one entry of a batch or transaction. ``modified`` is a FHIR instant."""
    told = {"status": status_line(status), "location": location, "etag": tag}
    told["lastModified"] = modified
    response = write({name: value for name, value in told.items() if value is not None})
    if outcome is not None:
        response = b'%b,"outcome":%b}' % (response[:-1], outcome)
    return _entry(resource, None, b'"response":%b' % response)


def full_url(version: Version, base: str) -> str:
    return f"{base}/{version.type}/{version.id}"


def status_line(status: int) -> str:
    return f"{status} {HTTPStatus(status).phrase}"


def _entry(resource: bytes | None, address: str | None, tail: bytes) -> bytes:
    parts = []
    if address is not None:
        parts.append(b'"fullUrl":%b' % write(address))
    if resource is not None:
        parts.append(b'"resource":%b' % resource)
    return b"{%b}" % b",".join([*parts, tail] if tail else parts)
