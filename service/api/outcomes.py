"""The one place where a failure becomes an HTTP answer: a status and an OperationOutcome.

Handlers and the rooms below raise; nobody else builds an error response.
"""

from collections.abc import Mapping, Sequence
from http import HTTPStatus

import structlog
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.api.counts import count_refusal
from service.fhir.json import JsonError, write
from service.fhir.outcome import Finding, json_finding, operation_outcome
from service.fhir.search.query import SearchError
from service.fhir.terminology import TerminologyError
from service.record.errors import Away, RecordError
from service.store.contract import CursorError

log = structlog.get_logger("airway.http")

FHIR_JSON = "application/fhir+json"
_RETRY_SECONDS = "5"
"""After how long what was 503 may be asked again."""

_CODES = {
    400: "invalid",
    401: "login",
    403: "forbidden",
    404: "not-found",
    405: "not-supported",
    406: "not-supported",
    409: "conflict",
    410: "deleted",
    412: "conflict",
    413: "too-long",
    415: "not-supported",
    422: "processing",
    428: "business-rule",
}
"""HTTP status to FHIR issue type, where the failure itself names none."""


class RestError(Exception):
    """A request that HTTP or the REST rules refuse before the record is asked.

    ``status`` is the HTTP status; ``findings`` are what the OperationOutcome lists.
    """

    def __init__(
        self, status: int, findings: Sequence[Finding], headers: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(status)
        self.status = status
        self.findings = list(findings)
        self.headers = dict(headers or {})


def refusal(
    status: int,
    diagnostics: str,
    *,
    code: str | None = None,
    expression: str = "",
    headers: Mapping[str, str] | None = None,
) -> RestError:
    """An error with one finding; its issue type follows the status unless ``code`` names one."""
    finding = Finding("error", code or _CODES.get(status, "processing"), expression, diagnostics)
    return RestError(status, [finding], headers)


def translated(error: Exception) -> RestError:
    """What an error of any room means over HTTP. Raises the error again if it has no meaning."""
    match error:
        case RestError():
            return error
        case RecordError() | TerminologyError():
            return RestError(error.status, error.findings)
        case SearchError():
            return _search_refusal(error)
        case CursorError():
            return refusal(400, "This page link was not given by this service.")
        case JsonError():
            return RestError(400, [json_finding(error)])
        case HTTPException():
            return refusal(error.status_code, _sentence(error), headers=error.headers)
        case RequestValidationError():
            return RestError(400, [_parameter_finding(part) for part in error.errors()])
        case _:
            raise error


_KNOWN = (
    RestError,
    RecordError,
    SearchError,
    TerminologyError,
    CursorError,
    JsonError,
    HTTPException,
    RequestValidationError,
)


def outcome_response(
    status: int, findings: Sequence[Finding], headers: Mapping[str, str] | None = None
) -> Response:
    """An OperationOutcome as the body of an answer."""
    body = write(operation_outcome(findings))
    told = dict(headers or {})
    if status == HTTPStatus.SERVICE_UNAVAILABLE:
        told.setdefault("Retry-After", _RETRY_SECONDS)
    return Response(body, status, headers=told, media_type=FHIR_JSON)


def error_response(error: Exception) -> Response:
    """The answer to ``error``. Raises it again when it is not a client's."""
    known = translated(error)
    if isinstance(error, RecordError):
        count_refusal(type(error).__name__)
    if isinstance(error, Away):
        log.error("the store cannot be reached", error=str(error.__cause__))
    return outcome_response(known.status, known.findings, known.headers)


def install(app: FastAPI) -> None:
    """Makes every error of ``app`` an OperationOutcome."""

    async def handler(_: Request, error: Exception) -> Response:
        return error_response(error)

    for kind in _KNOWN:
        app.add_exception_handler(kind, handler)


def unexpected(request_id: str) -> Response:
    """The answer to our own mistake: says nothing but the id under which the log has it."""
    told = f"The service made a mistake and gave up this request. Request id {request_id}."
    return outcome_response(500, [Finding("fatal", "exception", "", told)])


def _search_refusal(error: SearchError) -> RestError:
    place = f"http.{error.parameter[:64]}"
    return RestError(400, [Finding("error", error.code, place, str(error))])


def _parameter_finding(part: Mapping[str, object]) -> Finding:
    place = part["loc"]
    name = ".".join(str(step) for step in place[1:]) if isinstance(place, tuple) else ""
    return Finding("error", "invalid", "", f"{name}: {part['msg']}")


def _sentence(error: HTTPException) -> str:
    if error.status_code == HTTPStatus.NOT_FOUND:
        return "There is nothing at this address."
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        return "This address does not answer that method."
    return str(error.detail)
