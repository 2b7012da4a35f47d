"""The entries of a transaction Bundle as requests, each with its place for findings."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.outcome import Finding
from service.record.errors import Malformed

METHODS = ("DELETE", "POST", "PUT", "GET")
"""In the order in which the standard has a transaction carried out (R4 http.html#trules)."""

_ADDRESS = re.compile(
    r"([A-Z][A-Za-z]+)(?:/([A-Za-z0-9\-.]{1,64})(?:/_history/(\d{1,9}))?)?", re.ASCII
)


@dataclass(frozen=True, slots=True)
class Request:
    """One entry. ``id`` is None for a type, ``query`` what stands after a question mark."""

    number: int
    method: str
    type: str
    id: str | None
    version: int | None
    query: str | None
    full_url: str | None
    resource: JsonObject
    if_match: str | None
    if_none_exist: str | None

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
    if request.get("method") not in METHODS:
        told = f"One of {', '.join(METHODS)} is expected in a transaction."
        yield Finding("error", "not-supported", f"{place}.request.method", told)
    for name in ("url", "ifMatch", "ifNoneExist"):
        if not isinstance(request.get(name, ""), str):
            yield Finding("error", "structure", f"{place}.request.{name}", "Text is expected.")
    if not isinstance(entry.get("fullUrl", ""), str):
        yield Finding("error", "structure", f"{place}.fullUrl", "Text is expected.")
    resource = entry.get("resource")
    if request.get("method") in ("POST", "PUT") and not isinstance(resource, dict):
        yield Finding("error", "required", f"{place}.resource", "A resource is expected.")


def _request(entry: JsonObject, number: int, base: str) -> Request:
    request = entry["request"]
    address, mark, query = request.get("url", "").removeprefix(f"{base}/").partition("?")
    found = _ADDRESS.fullmatch(address.strip("/"))
    type_, id_, version = found.groups() if found else ("", None, None)
    return Request(
        number=number,
        method=request["method"],
        type=type_,
        id=id_,
        version=None if version is None else int(version),
        query=query if mark else None,
        full_url=entry.get("fullUrl"),
        resource=entry.get("resource") or {},
        if_match=request.get("ifMatch"),
        if_none_exist=request.get("ifNoneExist"),
    )


def _address_faults(request: Request) -> Iterator[Finding]:
    url = f"{request.place}.request.url"
    told = _ADDRESSES[request.method]
    named, asked = request.id is not None, request.query is not None
    fits = {
        "DELETE": named and not asked,
        "POST": not named and not asked,
        "PUT": named != asked,
        "GET": named and not asked,
    }
    past = request.version is not None and request.method != "GET"
    if not request.type or past or not fits[request.method]:
        yield Finding("error", "value", url, told)
    elif request.method in ("POST", "PUT"):
        yield from _resource_faults(request)


_ADDRESSES = {
    "DELETE": "DELETE names a resource, for example Observation/o1.",
    "POST": "POST names a type, for example Observation.",
    "PUT": "PUT names a resource or a condition: Observation/o1 or Observation?identifier=s|1.",
    "GET": "GET in a transaction names a resource or a version, for example Observation/o1.",
}


def _resource_faults(request: Request) -> Iterator[Finding]:
    kind, own = request.resource.get("resourceType"), request.resource.get("id")
    place = f"{request.place}.resource"
    if kind != request.type:
        told = f"The request is about {request.type}, the resource says it is another type."
        yield Finding("error", "value", f"{place}.resourceType", told)
    if request.method == "PUT" and own is not None and not isinstance(own, str):
        yield Finding("error", "structure", f"{place}.id", "Text is expected.")
    elif request.method == "PUT" and request.id is not None and own != request.id:
        told = f"The request is about {request.type}/{request.id}: the same id is expected here."
        yield Finding("error", "value", f"{place}.id", told)
