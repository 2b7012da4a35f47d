"""The entries of a transaction Bundle as requests, each with its place for findings."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.outcome import Finding, shown
from service.record.errors import Malformed
from service.record.patches import SentPatch, patch_in

ORDER = {"DELETE": 0, "POST": 1, "PUT": 2, "PATCH": 2, "GET": 3, "HEAD": 3}
"""The methods, by when the standard has them carried out (R4 http.html#trules)."""

READING = frozenset({"GET", "HEAD"})

_ADDRESS = re.compile(
    r"([A-Z][A-Za-z]+)(?:/([A-Za-z0-9\-.]{1,64}))?(?:/(_history)(?:/(\d{1,9}))?)?", re.ASCII
)
_TEXTS = ("url", "ifMatch", "ifNoneMatch", "ifNoneExist")


@dataclass(frozen=True, slots=True)
class Request:
    """One entry. ``id`` is None for a type, ``query`` what stands after a question mark.

    ``many``: it reads what is answered as a Bundle, a search or a ``history``. ``patch`` is what a
    PATCH entry carries; its ``resource`` is that in which it came.
    """

    number: int
    method: str
    type: str
    id: str | None
    version: int | None
    query: str | None
    many: bool
    history: bool
    full_url: str | None
    resource: JsonObject
    if_match: str | None
    if_none_match: str | None
    if_modified_since: datetime | None
    if_none_exist: str | None
    patch: SentPatch | None = None

    @property
    def place(self) -> str:
        return f"Bundle.entry[{self.number}]"


def requests(bundle: JsonObject, base: str) -> list[Request]:
    """The entries, in the order that arrived. ``base``: this service's address, cut off from urls.

    Raises Malformed with a finding for every entry that cannot be understood.
    """
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        raise Malformed.at("Bundle.entry", "A list of entries is expected.")
    faults = [fault for number, entry in enumerate(entries) for fault in _faults(entry, number)]
    if faults:
        raise Malformed(faults)
    found = [_request(entry, number, base) for number, entry in enumerate(entries)]
    faults = [fault for request in found for fault in _address_faults(request)]
    if faults:
        raise Malformed(faults)
    return found


def _faults(entry: Any, number: int) -> Iterator[Finding]:
    place = f"Bundle.entry[{number}]"
    request = entry.get("request") if isinstance(entry, dict) else None
    if not isinstance(request, dict):
        yield Finding("error", "required", f"{place}.request", "A request is expected.")
        return
    method = request.get("method")
    if not isinstance(method, str) or method not in ORDER:
        told = f"One of {', '.join(ORDER)} is expected in a transaction."
        yield Finding("error", "not-supported", f"{place}.request.method", told)
        return
    for name in _TEXTS:
        if not isinstance(request.get(name, ""), str):
            yield Finding("error", "structure", f"{place}.request.{name}", "Text is expected.")
    if "ifModifiedSince" in request and instant_of(request["ifModifiedSince"]) is None:
        told = "A time with seconds and offset is expected."
        yield Finding("error", "value", f"{place}.request.ifModifiedSince", told)
    if not isinstance(entry.get("fullUrl", ""), str):
        yield Finding("error", "structure", f"{place}.fullUrl", "Text is expected.")
    resource = entry.get("resource")
    if method in ("POST", "PUT", "PATCH") and not isinstance(resource, dict):
        yield Finding("error", "required", f"{place}.resource", "A resource is expected.")


def instant_of(text: Any) -> datetime | None:
    """The instant that a request names; None for anything else."""
    try:
        found = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        return None
    return found if found.tzinfo else None


def _request(entry: JsonObject, number: int, base: str) -> Request:
    request = entry["request"]
    method, resource = request["method"], entry.get("resource") or {}
    address, mark, query = request.get("url", "").removeprefix(f"{base}/").partition("?")
    found = _ADDRESS.fullmatch(address.strip("/"))
    type_, id_, past, version = found.groups() if found else ("", None, None, None)
    history = past is not None and version is None
    place = f"Bundle.entry[{number}].resource"
    return Request(
        number=number,
        method=method,
        type=type_,
        id=id_,
        version=None if version is None else int(version),
        query=query if mark else None,
        many=history or (method in READING and id_ is None),
        history=history,
        full_url=entry.get("fullUrl"),
        resource=resource,
        if_match=request.get("ifMatch"),
        if_none_match=request.get("ifNoneMatch"),
        if_modified_since=instant_of(request.get("ifModifiedSince")),
        if_none_exist=request.get("ifNoneExist"),
        patch=patch_in(resource, place) if method == "PATCH" else None,
    )


def _address_faults(request: Request) -> Iterator[Finding]:
    if not request.type or not _fits(request):
        yield Finding("error", "value", f"{request.place}.request.url", _ADDRESSES[request.method])
    elif request.method in ("POST", "PUT"):
        yield from _resource_faults(request)


def _fits(request: Request) -> bool:
    """Whether a method can be asked of such an address."""
    named, asked = request.id is not None, request.query is not None
    past = request.many or request.version is not None
    if request.method in READING:
        return request.version is None or (named and not asked)
    if request.method == "POST":
        return not (named or asked or past)
    return named != asked and not past


_ADDRESSES = {
    "DELETE": "DELETE names a resource or a condition, for example Observation/o1.",
    "POST": "POST names a type, for example Observation.",
    "PUT": "PUT names a resource or a condition: Observation/o1 or Observation?identifier=s|1.",
    "PATCH": "PATCH names a resource or a condition, for example Observation/o1.",
    "GET": "GET names a resource, a version, a history or a search, for example Observation/o1.",
    "HEAD": "HEAD names a resource, a version, a history or a search.",
}


def _resource_faults(request: Request) -> Iterator[Finding]:
    kind, own = request.resource.get("resourceType"), request.resource.get("id")
    place = f"{request.place}.resource"
    if kind != request.type:
        told = f"The request is about {request.type}, the resource says it is {shown(kind)}."
        yield Finding("error", "value", f"{place}.resourceType", told)
    if request.method == "PUT" and (request.if_none_match or "*").strip() != "*":
        told = "Of ifNoneMatch a write understands * only: make it, change nothing."
        yield Finding("error", "value", f"{request.place}.request.ifNoneMatch", told)
    if request.method == "PUT" and own is not None and not isinstance(own, str):
        yield Finding("error", "structure", f"{place}.id", "Text is expected.")
    elif request.method == "PUT" and request.id is not None and own != request.id:
        told = f"The request is about {request.type}/{request.id}: the same id is expected here."
        yield Finding("error", "value", f"{place}.id", told)
