"""Bundles posted to /fhir: a transaction is one unit of work, a batch a request for each entry."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp

from service.api.bodies import body_of, object_in
from service.api.bundle import bundle, response_entry
from service.api.entries import ask, faults_of, is_text, relative
from service.api.headers import check_accept, etag, preference
from service.api.outcomes import FHIR_JSON, RestError, refusal
from service.api.served import ServedType, base_of
from service.api.services import caller_of, services_of
from service.fhir.json import JsonObject, read, write
from service.fhir.outcome import Finding, operation_outcome, shown
from service.record.bodies import instant_text
from service.record.links import references
from service.record.requests import READING, requests
from service.record.transactions import Answer, Transactions

_INTERACTIONS = {
    "POST": "create",
    "PUT": "update",
    "PATCH": "patch",
    "DELETE": "delete",
    "GET": "read",
    "HEAD": "read",
}


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
        await self._check_searches(request, sent, base)
        carrier = Transactions(services.record, base, policy=services.policy)
        answers = await run_in_threadpool(carrier.carry_out, sent, caller_of(request))
        returns = preference(request).returns
        told = [
            await ask(self._roads, request, entry, base)
            if answer is None
            else _transaction_entry(answer, entry["request"]["method"], returns)
            for answer, entry in zip(answers, entries, strict=True)
        ]
        return Response(bundle("transaction-response", told), media_type=FHIR_JSON)

    async def _check_searches(self, request: Request, sent: JsonObject, base: str) -> None:
        """Searches are answered after the commit; what could not be answered is refused before."""
        for one in requests(sent, base):
            if one.many and one.id is None:
                answer = read(await ask(self._roads, request, sent["entry"][one.number], base))
                status = int(answer["response"]["status"].partition(" ")[0])
                if status >= 400:
                    told = answer["response"].get("outcome", {}).get("issue", [])
                    texts = [str(issue.get("diagnostics")) for issue in told] or ["Not answered."]
                    place = f"{one.place}.request.url"
                    raise RestError(status, [Finding("error", "value", place, t) for t in texts])

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
                told.append(await ask(self._roads, request, entry, base))
        return Response(bundle("batch-response", told), media_type=FHIR_JSON)


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
        method, name = str(request.get("method")), _type_in(relative(request["url"], base))
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
    if request.get("method") not in list(_INTERACTIONS) or not is_text(request.get("url")):
        told = "A method and an address are expected."
        return [Finding("error", "value", f"{place}.request", told)]
    if faults := faults_of(request):
        told = "A value that can be sent is expected."
        return [Finding("error", "structure", f"{place}.request.{name}", told) for name in faults]
    own = entry.get("fullUrl")
    told = "The entries of a batch stand alone: a link to another one is not resolved."
    return [
        Finding("error", "not-supported", f"{place}.resource{path}", told)
        for path, text in references(entry.get("resource"))
        if text in made and text != own
    ]


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


def _type_in(url: str) -> str:
    return url.partition("?")[0].partition("/")[0]


def _transaction_entry(answer: Answer, method: str, returns: str | None) -> bytes:
    version = answer.version
    outcome = None
    if returns == "OperationOutcome" and method not in READING:
        told = Finding("information", "informational", "", "Done.")
        outcome = write(operation_outcome([told]))
    if version is None:
        return response_entry(answer.status, outcome=outcome)
    with_body = answer.status == 200 if method == "GET" else returns == "representation"
    with_body = with_body and method != "HEAD"
    return response_entry(
        answer.status,
        location=f"{version.type}/{version.id}/_history/{version.version}",
        tag=etag(version.version),
        modified=instant_text(version.instant),
        resource=version.body if with_body and not version.deleted else None,
        outcome=outcome,
    )
