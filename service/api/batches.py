"""Bundles posted to /fhir: a transaction is one unit of work, a batch a request for each entry."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp

from service.api.bodies import Sent, body_of, object_in
from service.api.bundle import bundle, response_entry
from service.api.entries import ask, faults_of, is_text
from service.api.headers import check_accept
from service.api.outcomes import FHIR_JSON, refusal
from service.api.reads import Reads
from service.api.served import ServedType, base_of
from service.api.services import services_of
from service.api.transactions import INTERACTIONS, transaction
from service.fhir.json import JsonObject, write
from service.fhir.outcome import Finding, operation_outcome
from service.fhir.positions import Text
from service.record.links import references


class Bundles:
    """Answers ``POST /fhir``. ``roads`` answers the single requests that a batch is made of."""

    def __init__(self, types: Mapping[str, ServedType], reads: Reads, roads: ASGIApp) -> None:
        self._types = types
        self._reads = reads
        self._roads = roads

    async def answer(self, request: Request) -> Response:
        """Raises RestError for what is no batch and no transaction, and for too many entries."""
        check_accept(request)
        settings = services_of(request).settings
        body = await body_of(request)
        sent = await run_in_threadpool(object_in, body, settings.max_body_bytes)
        _check_bundle(sent, settings.max_bundle_entries)
        if sent["type"] == "transaction":
            return await transaction(request, sent, Text(body), self._types, self._reads)
        return await self._batch(request, sent, Sent(Text(body)))

    async def _batch(self, request: Request, bundled: JsonObject, sent: Sent) -> Response:
        entries = bundled.get("entry", [])
        base = base_of(request, services_of(request))
        made = _names_of_new(entries)
        told = []
        for number, entry in enumerate(entries):
            findings = _faults(entry, f"Bundle.entry[{number}]", made)
            if findings:
                outcome = operation_outcome(sent.located(findings))
                told.append(response_entry(400, outcome=write(outcome)))
            else:
                inside = sent.inside(f"entry[{number}].resource")
                told.append(await ask(self._roads, request, entry, base, inside))
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


def _faults(entry: Any, place: str, made: Collection[str]) -> list[Finding]:
    """Why an entry of a batch cannot even be asked; empty when it can."""
    request = entry.get("request") if isinstance(entry, dict) else None
    if not isinstance(request, dict):
        return [Finding("error", "required", f"{place}.request", "A request is expected.")]
    if request.get("method") not in list(INTERACTIONS) or not is_text(request.get("url")):
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
