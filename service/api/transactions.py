"""A transaction over HTTP: what is served in it, what its searches ask, how answers are told."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from service.api.bundle import bundle, response_entry
from service.api.entries import relative
from service.api.headers import etag, preference
from service.api.outcomes import FHIR_JSON, RestError, translated
from service.api.reading import asked_history, part_of_read
from service.api.reads import Reads
from service.api.searching import asked_of_type
from service.api.served import Call, ServedType, base_of
from service.api.services import caller_of, services_of
from service.fhir.json import JsonObject, write
from service.fhir.outcome import Finding, operation_outcome, shown
from service.fhir.positions import Text
from service.fhir.search.query import SearchError
from service.fhir.subset import WHOLE, Subset
from service.record.bodies import instant_text
from service.record.errors import RecordError
from service.record.requests import READING, requests
from service.record.requests import Request as Entry
from service.record.transactions import Answer, Asked, Transactions

INTERACTIONS = {
    "POST": "create",
    "PUT": "update",
    "PATCH": "patch",
    "DELETE": "delete",
    "GET": "read",
    "HEAD": "read",
}
"""What the method of an entry asks for."""


async def transaction(
    request: Request, sent: JsonObject, text: Text, types: Mapping[str, ServedType], reads: Reads
) -> Response:
    """Carries out the Bundle ``sent``, read from ``text``. What is refused says where it stands."""
    carried = _Carried(request, sent, types, reads)
    try:
        answer = await run_in_threadpool(carried.out)
    except RestError as error:
        raise RestError(error.status, text.located(error.findings), error.headers) from None
    except RecordError as error:
        raise type(error)(text.located(error.findings)) from error.__cause__
    return Response(answer, media_type=FHIR_JSON)


class _Carried:
    """One transaction on its way."""

    def __init__(
        self,
        request: Request,
        sent: JsonObject,
        types: Mapping[str, ServedType],
        reads: Reads,
    ) -> None:
        self._request = request
        self._services = services_of(request)
        self._base = base_of(request, self._services)
        self._sent = sent
        self._types = types
        self._reads = reads

    def out(self) -> bytes:
        services, caller = self._services, caller_of(self._request)
        _check_served(self._sent.get("entry", []), self._types, self._base)
        parts = {one.number: self._part(one) for one in requests(self._sent, self._base)}
        carrier = Transactions(services.record, self._base, policy=services.policy, ask=self._ask)
        answers = carrier.carry_out(self._sent, caller)
        returns = preference(self._request).returns
        told = (
            _told(answer, entry["request"]["method"], returns, parts[number])
            for number, (answer, entry) in enumerate(
                zip(answers, self._sent.get("entry", []), strict=True)
            )
        )
        return bundle("transaction-response", told)

    def _ask(self, entry: Entry) -> Asked:
        """A search or a history as it would be asked alone. Raises RestError at its address."""
        call = self._call(entry)
        with _at(entry):
            return asked_history(call) if entry.history else asked_of_type(call)

    def _part(self, entry: Entry) -> Subset:
        """What a read leaves of its resource."""
        if entry.method not in READING or entry.many or entry.query is None:
            return WHOLE
        with _at(entry):
            return part_of_read(self._call(entry))

    def _call(self, entry: Entry) -> Call:
        scope = {
            **self._request.scope,
            "query_string": (entry.query or "").encode(),
            "path_params": {"id": entry.id} if entry.id else {},
        }
        served = self._types[entry.type]
        return Call(Request(scope), self._services, served, self._reads, self._types)


def _check_served(entries: Sequence[Any], types: Mapping[str, ServedType], base: str) -> None:
    """What is not served is refused before anything is tried; the record judges the rest."""
    findings = []
    for number, entry in enumerate(entries):
        request = entry.get("request") if isinstance(entry, dict) else None
        if not isinstance(request, dict) or not isinstance(request.get("url"), str):
            continue
        method, name = str(request.get("method")), _type_in(relative(request["url"], base))
        served = types.get(name)
        known = served is not None and INTERACTIONS.get(method) in served.interactions
        if served is None or served.shipped or not known:
            told = f"{method[:10]} of {shown(name)} is not served in a transaction."
            place = f"Bundle.entry[{number}].request"
            findings.append(Finding("error", "not-supported", place, told))
    if findings:
        raise RestError(400, findings)


def _type_in(url: str) -> str:
    return url.partition("?")[0].partition("/")[0]


@contextmanager
def _at(entry: Entry) -> Iterator[None]:
    """What cannot be understood of an address, told as being there."""
    try:
        yield
    except (SearchError, RestError) as error:
        known = translated(error)
        place = f"{entry.place}.request.url"
        found = [replace(finding, expression=place) for finding in known.findings]
        raise RestError(known.status, found) from None


def _told(answer: Answer, method: str, returns: str | None, part: Subset) -> bytes:
    """The entry of the answer that tells of one entry."""
    version = answer.version
    outcome = None
    if returns == "OperationOutcome" and method not in READING:
        told = Finding("information", "informational", "", "Done.")
        outcome = write(operation_outcome([told]))
    if version is None:
        found = None if method == "HEAD" else answer.bundle
        return response_entry(answer.status, resource=found, outcome=outcome)
    with_body = answer.status == 200 if method == "GET" else returns == "representation"
    with_body = with_body and method != "HEAD" and not version.deleted
    return response_entry(
        answer.status,
        location=f"{version.type}/{version.id}/_history/{version.version}",
        tag=etag(version.version),
        modified=instant_text(version.instant),
        resource=part.of_body(version.body) if with_body else None,
        outcome=outcome,
    )
