"""One entry of a Bundle, asked of the roads as if it had come alone."""

import binascii
from base64 import b64decode
from collections.abc import Mapping
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import unquote

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Scope

from service.api.bodies import SENT, Sent
from service.api.bundle import response_entry
from service.api.headers import HEADERS, by_name, last_modified
from service.api.outcomes import FHIR_JSON
from service.api.places import PREFIX
from service.fhir.json import JsonObject, read, write
from service.record.bodies import instant_text
from service.record.requests import instant_of

_TEXTS = ("ifMatch", "ifNoneMatch", "ifNoneExist")


def faults_of(request: Mapping[str, Any]) -> list[str]:
    """Names of what cannot be sent as a header."""
    faults = [name for name in _TEXTS if not is_text(request.get(name, "-"))]
    if "ifModifiedSince" in request and instant_of(request["ifModifiedSince"]) is None:
        faults.append("ifModifiedSince")
    return faults


def is_text(value: Any) -> bool:
    """Whether a value can stand in a header or an address."""
    return isinstance(value, str) and value.isprintable() and value != ""


def relative(url: str, base: str) -> str:
    """An address below this service's own."""
    return url.removeprefix(f"{base}/").lstrip("/")


async def ask(roads: ASGIApp, request: Request, entry: JsonObject, base: str, sent: Sent) -> bytes:
    """The answer to an entry, as the entry that tells of it.

    ``request`` brought the Bundle; ``sent``: where the resource of the entry stands in it.
    """
    asked = entry["request"]
    path, _, query = relative(asked["url"], base).partition("?")
    media_type, body = _body(entry)
    headers = _headers(request, asked, media_type)
    head_only = asked["method"] == "HEAD"
    scope = {
        **request.scope,
        "method": "GET" if head_only else asked["method"],
        "path": f"{PREFIX}/{unquote(path)}",
        "query_string": query.encode(),
        "headers": headers,
        HEADERS: by_name(headers),
        "path_params": {},
        SENT: sent,
    }
    return await _exchange(roads, scope, body, with_body=not head_only)


def _body(entry: JsonObject) -> tuple[str, bytes]:
    """What an entry sends, and its media type: a patch in a Binary is sent as itself."""
    resource = entry.get("resource")
    if resource is None:
        return FHIR_JSON, b""
    if entry["request"]["method"] == "PATCH" and isinstance(resource, dict):
        kind, data = resource.get("contentType"), resource.get("data")
        if resource.get("resourceType") == "Binary" and is_text(kind) and isinstance(data, str):
            try:
                return str(kind), b64decode(data, validate=True)
            except binascii.Error:
                return str(kind), b""  # no patch: refused where it is read
    return FHIR_JSON, write(resource)


def _headers(
    request: Request, asked: Mapping[str, str], media_type: str
) -> list[tuple[bytes, bytes]]:
    since = instant_of(asked.get("ifModifiedSince"))
    named = {
        "accept": FHIR_JSON,
        "content-type": media_type,
        "host": request.headers.get("host"),
        "if-match": asked.get("ifMatch"),
        "if-none-match": asked.get("ifNoneMatch"),
        "if-none-exist": asked.get("ifNoneExist"),
        "if-modified-since": last_modified(since) if since else None,
        "prefer": request.headers.get("prefer", "return=minimal"),
    }
    return [
        (name.encode(), value.encode("latin-1", "replace"))
        for name, value in named.items()
        if value
    ]


async def _exchange(roads: ASGIApp, scope: Scope, body: bytes, *, with_body: bool) -> bytes:
    sent: list[Message] = []

    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Message) -> None:
        sent.append(message)

    await roads(scope, receive, send)
    status: int = sent[0]["status"]
    headers = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    answer = b"".join(message.get("body", b"") for message in sent[1:])
    is_outcome = status >= 400
    return response_entry(
        status,
        location=headers.get("location"),
        tag=headers.get("etag"),
        modified=_modified(headers.get("last-modified"), b"" if is_outcome else answer),
        outcome=answer if is_outcome and answer else None,
        resource=answer if answer and with_body and not is_outcome else None,
    )


def _modified(header: str | None, resource: bytes) -> str | None:
    """When a version was made: as the resource says it, where there is one (R4 Bundle)."""
    if header is None:
        return None
    said = read(resource).get("meta", {}).get("lastUpdated") if resource else None
    return said or instant_text(parsedate_to_datetime(header))
