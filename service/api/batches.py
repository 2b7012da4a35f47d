"""Bundles posted to /fhir: a transaction is one unit of work, a batch a request for each entry."""

from collections.abc import Collection, Mapping, Sequence
from email.utils import parsedate_to_datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Scope

from service.api.bodies import body_of, object_in
from service.api.bundle import bundle, response_entry
from service.api.headers import check_accept, etag, preference
from service.api.outcomes import FHIR_JSON, RestError, refusal
from service.api.served import ServedType, base_of
from service.api.services import caller_of, services_of
from service.fhir.json import JsonObject, write
from service.fhir.outcome import Finding, operation_outcome, shown
from service.record.bodies import instant_text
from service.record.links import references
from service.record.transactions import Answer, Transactions

_INTERACTIONS = {"POST": "create", "PUT": "update", "DELETE": "delete", "GET": "read"}
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"})


class Bundles:
    """Answers ``POST /fhir``. ``roads`` answers the single requests that a batch is made of."""

    def __init__(self, types: Mapping[str, ServedType], roads: ASGIApp) -> None:
        self._types = types
        self._roads = roads

    async def answer(self, request: Request) -> Response:
        """Raises RestError for what is no batch and no transaction, and for too many entries."""
        check_accept(request)
        settings = services_of(request).settings
        body = await body_of(request)
        sent = await run_in_threadpool(object_in, body, settings.max_body_bytes)
        _check_bundle(sent, settings.max_bundle_entries)
        if sent["type"] == "transaction":
            return await self._transaction(request, sent)
        return await self._batch(request, sent)

    async def _transaction(self, request: Request, sent: JsonObject) -> Response:
        services = services_of(request)
        base = base_of(request, services)
        entries = sent.get("entry", [])
        _check_served(entries, self._types, base)
        carrier = Transactions(services.record, base, policy=services.policy)
        answers = await run_in_threadpool(carrier.carry_out, sent, caller_of(request))
        with_bodies = preference(request).returns == "representation"
        told = (
            _transaction_entry(answer, with_body=with_bodies or _is_read(entry))
            for answer, entry in zip(answers, entries, strict=True)
        )
        return Response(bundle("transaction-response", told), media_type=FHIR_JSON)

    async def _batch(self, request: Request, sent: JsonObject) -> Response:
        entries = sent.get("entry", [])
        base = base_of(request, services_of(request))
        made = _names_of_new(entries)
        told = []
        for number, entry in enumerate(entries):
            findings = _faults(entry, f"Bundle.entry[{number}]", made)
            if findings:
                told.append(response_entry(400, outcome=write(operation_outcome(findings))))
            else:
                told.append(await self._single(request, entry, base))
        return Response(bundle("batch-response", told), media_type=FHIR_JSON)

    async def _single(self, request: Request, entry: JsonObject, base: str) -> bytes:
        """One entry of a batch, answered as if it had come alone."""
        asked = entry["request"]
        path, _, query = _relative(asked["url"], base).partition("?")
        scope = {
            **request.scope,
            "method": asked["method"],
            "path": f"/fhir/{path}",
            "query_string": query.encode(),
            "headers": _headers(request, asked),
            "path_params": {},
        }
        scope.pop("router", None)  # else the answering router would think itself mounted
        body = write(entry["resource"]) if "resource" in entry else b""
        return await _exchange(self._roads, scope, body)


def _check_bundle(sent: JsonObject, most: int) -> None:
    if sent.get("resourceType") != "Bundle" or sent.get("type") not in ("batch", "transaction"):
        told = "A Bundle of type batch or transaction is expected."
        raise refusal(400, told, expression="Bundle.type")
    entries = sent.get("entry", [])
    if not isinstance(entries, list):
        raise refusal(400, "A list is expected.", code="structure", expression="Bundle.entry")
    if len(entries) > most:
        told = f"{len(entries)} entries, at most {most} are taken at once."
        raise refusal(413, told, expression="Bundle.entry")


def _check_served(entries: Sequence[Any], types: Mapping[str, ServedType], base: str) -> None:
    """What is not served is refused before anything is tried; the record judges the rest."""
    findings = []
    for number, entry in enumerate(entries):
        request = entry.get("request") if isinstance(entry, dict) else None
        if not isinstance(request, dict) or not isinstance(request.get("url"), str):
            continue
        method, name = str(request.get("method")), _type_in(_relative(request["url"], base))
        served = types.get(name)
        known = served is not None and _INTERACTIONS.get(method) in served.interactions
        if served is None or served.shipped or not known:
            told = f"{method[:10]} of {shown(name)} is not served in a transaction."
            place = f"Bundle.entry[{number}].request"
            findings.append(Finding("error", "not-supported", place, told))
    if findings:
        raise RestError(400, findings)


def _faults(entry: Any, place: str, made: Collection[str]) -> list[Finding]:
    """Why an entry of a batch cannot even be asked; empty when it can."""
    request = entry.get("request") if isinstance(entry, dict) else None
    if not isinstance(request, dict):
        return [Finding("error", "required", f"{place}.request", "A request is expected.")]
    if request.get("method") not in _METHODS or not _is_text(request.get("url")):
        told = "A method and an address are expected."
        return [Finding("error", "value", f"{place}.request", told)]
    if not all(_is_text(request.get(name, "-")) for name in ("ifMatch", "ifNoneExist")):
        return [Finding("error", "structure", f"{place}.request", "Text is expected.")]
    own = entry.get("fullUrl")
    told = "The entries of a batch stand alone: a link to another one is not resolved."
    return [
        Finding("error", "not-supported", f"{place}.resource{path}", told)
        for path, text in references(entry.get("resource"))
        if text in made and text != own
    ]


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and value.isprintable() and value != ""


def _is_read(entry: JsonObject) -> bool:
    return bool(entry["request"]["method"] == "GET")


def _names_of_new(entries: Sequence[Any]) -> frozenset[str]:
    """What entries call the resources that they create."""
    return frozenset(
        entry["fullUrl"]
        for entry in entries
        if isinstance(entry, dict)
        and isinstance(entry.get("fullUrl"), str)
        and isinstance(entry.get("request"), dict)
        and entry["request"].get("method") == "POST"
    )


def _relative(url: str, base: str) -> str:
    return url.removeprefix(f"{base}/").lstrip("/")


def _type_in(url: str) -> str:
    return url.partition("?")[0].partition("/")[0]


def _transaction_entry(answer: Answer, *, with_body: bool) -> bytes:
    version = answer.version
    return response_entry(
        answer.status,
        location=f"{version.type}/{version.id}/_history/{version.version}",
        tag=etag(version.version),
        modified=instant_text(version.instant),
        resource=version.body if with_body and not version.deleted else None,
    )


def _headers(request: Request, asked: Mapping[str, str]) -> list[tuple[bytes, bytes]]:
    named = {
        "content-type": FHIR_JSON,
        "host": request.headers.get("host"),
        "if-match": asked.get("ifMatch"),
        "if-none-exist": asked.get("ifNoneExist"),
        "prefer": request.headers.get("prefer", "return=minimal"),
    }
    return [
        (name.encode(), value.encode("latin-1", "replace"))
        for name, value in named.items()
        if value
    ]


async def _exchange(roads: ASGIApp, scope: Scope, body: bytes) -> bytes:
    """The answer of the roads to one request, as the entry that tells of it."""
    sent: list[Message] = []

    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Message) -> None:
        sent.append(message)

    await roads(scope, receive, send)
    status: int = sent[0]["status"]
    headers = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    answer = b"".join(message.get("body", b"") for message in sent[1:])
    modified = headers.get("last-modified")
    is_outcome = status >= 400
    return response_entry(
        status,
        location=headers.get("location"),
        tag=headers.get("etag"),
        modified=instant_text(parsedate_to_datetime(modified)) if modified else None,
        outcome=answer if is_outcome else None,
        resource=answer if answer and not is_outcome else None,
    )
