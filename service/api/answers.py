"""Answers that carry one resource, as its stored bytes."""

from datetime import datetime
from functools import lru_cache

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service.api.headers import etag, is_known, last_modified, preference
from service.api.outcomes import FHIR_JSON
from service.fhir.json import write
from service.fhir.outcome import Finding, operation_outcome
from service.record import Written
from service.store.contract import Version

_STATUS = {"created": 201, "updated": 200, "unchanged": 200, "existing": 200}


def resource_response(version: Version, status: int = 200, **headers: str) -> Response:
    """The version itself, its tag and its time."""
    known = {"ETag": etag(version.version), "Last-Modified": last_modified(version.instant)}
    return Response(version.body, status, headers=known | headers, media_type=FHIR_JSON)


class StoredBytes(Response):
    """A version as it is stored. Its headers are put together once, as they go out."""

    def __init__(self, version: Version) -> None:
        self.status_code, self.background, self.media_type = 200, None, FHIR_JSON
        self.body = version.body
        self.raw_headers = list(_head(len(version.body), version.version, version.instant))

    async def __call__(self, _scope: Scope, _receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
        await send({"type": "http.response.body", "body": self.body})


@lru_cache(maxsize=4096)
def _head(length: int, version: int, instant: datetime) -> tuple[tuple[bytes, bytes], ...]:
    return (
        (b"content-length", str(length).encode()),
        (b"content-type", FHIR_JSON.encode()),
        (b"etag", etag(version).encode()),
        (b"last-modified", last_modified(instant).encode()),
    )


def read_response(request: Request, version: Version) -> Response:
    """The version itself, or 304 when the client has it already (R4 http.html#cread)."""
    return not_modified(version) if is_known(request, version) else StoredBytes(version)


def not_modified(version: Version) -> Response:
    """304: the client has this version."""
    known = {"ETag": etag(version.version), "Last-Modified": last_modified(version.instant)}
    return Response(status_code=304, headers=known)


def written_response(request: Request, written: Written, base: str) -> Response:
    """What a write led to, in the form that the client prefers (``Prefer: return=``)."""
    status = _STATUS[written.done]
    place = f"{base}/{written.type}/{written.id}/_history/{written.version}"
    answer = resource_response(written, status, Location=place)
    match preference(request).returns:
        case "minimal":
            answer = Response(b"", status, headers=_kept(answer))
        case "OperationOutcome":
            told = Finding("information", "informational", "", f"Done: {written.done}.")
            body = write(operation_outcome([told]))
            answer = Response(body, status, headers=_kept(answer), media_type=FHIR_JSON)
    return answer


def _kept(answer: Response) -> dict[str, str]:
    return {name: answer.headers[name] for name in ("ETag", "Last-Modified", "Location")}
