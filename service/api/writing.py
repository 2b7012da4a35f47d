"""create, update, patch, delete: each one thread hop and one unit of work."""

from collections.abc import Callable
from functools import partial
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from service.api.answers import written_response
from service.api.bodies import NOWHERE, Sent, body_of, resource_in, sent_in
from service.api.headers import check_accept, check_content_type, etag, last_modified, preference
from service.api.outcomes import FHIR_JSON, RestError, outcome_response, refusal
from service.api.served import Call
from service.fhir.json import JsonObject, read
from service.fhir.outcome import Finding
from service.record import Change, Create, Delete, Match, Patch, Update, Written
from service.record.patches import JSON_PATCH, SentPatch
from service.record.plans_sent import judge_of

PATCH_TYPES: Final = (JSON_PATCH, FHIR_JSON)
"""Media types of patches: JSON Patch, and FHIRPath Patch in Parameters."""


async def create(call: Call) -> Response:
    """POST to a type; with If-None-Exist only when nothing meets the condition."""
    check_accept(call.request)
    body = await body_of(call.request)
    return await create_from(call, partial(resource_in, body, call), sent_in(call.request, body))


async def create_from(
    call: Call, resource_of: Callable[[], JsonObject], sent: Sent = NOWHERE
) -> Response:
    """The same with a resource that ``resource_of`` makes of what was ``sent``."""
    condition = call.request.headers.get("if-none-exist")

    def work() -> Written:
        match = None if condition is None else _match(call, condition)
        with sent.locating():
            return _write(call, Create(resource_of(), match=match))

    return written_response(call.request, await run_in_threadpool(work), call.base)


async def update(call: Call) -> Response:
    """PUT to a resource, which it makes when there is none; or to a type with a condition: to the
    one resource that meets it, or a new one."""
    check_accept(call.request)
    body = await body_of(call.request)
    return await update_from(call, partial(resource_in, body, call), sent_in(call.request, body))


async def update_from(
    call: Call, resource_of: Callable[[], JsonObject], sent: Sent = NOWHERE
) -> Response:
    """The same with a resource that ``resource_of`` makes of what was ``sent``."""
    only_new = _is_only_new(call.request)
    if_match = call.request.headers.get("if-match")

    def work() -> Written:
        match = _match_asked(call)
        with sent.locating():
            resource = resource_of()
            if match is None and resource.get("id") != call.id:
                told = "The id in the body must be the id in the address."
                raise refusal(400, told, expression=f"{call.type}.id")
            return _write(call, Update(resource, if_match, only_new, match))

    return written_response(call.request, await run_in_threadpool(work), call.base)


async def patch(call: Call) -> Response:
    """PATCH of a resource, or of the one that meets a condition."""
    check_accept(call.request)
    kind = _patch_type(call.request)
    body = await call.request.body()
    if_match = call.request.headers.get("if-match")

    def work() -> Written:
        document = read(body, max_bytes=call.services.settings.max_body_bytes)
        edit = SentPatch(document, kind == JSON_PATCH).edit()
        return _write(call, Patch(call.type, _id_asked(call), edit, if_match, _match_asked(call)))

    return written_response(call.request, await run_in_threadpool(work), call.base)


async def delete(call: Call) -> Response:
    """DELETE of a resource, or of the one that meets a condition: its versions stay in its
    history."""
    check_accept(call.request)
    if_match = call.request.headers.get("if-match")

    def work() -> Written:
        return _write(call, Delete(call.type, _id_asked(call), if_match, _match_asked(call)))

    return _deleted(call.request, await run_in_threadpool(work))


def _deleted(request: Request, written: Written) -> Response:
    """Also where there was nothing to delete, which is no error (R4 http.html#delete)."""
    headers = {}
    if written.done != "absent":
        headers["ETag"] = etag(written.version)
        headers["Last-Modified"] = last_modified(written.instant)
    if preference(request).returns == "OperationOutcome":
        done = "there was nothing to delete" if written.done == "absent" else "deleted"
        told = Finding("information", "informational", "", f"Done: {done}.")
        return outcome_response(200, [told], headers)
    return Response(status_code=204, headers=headers)


def _is_only_new(request: Request) -> bool:
    tag = request.headers.get("if-none-match")
    if tag is not None and tag.strip() != "*":
        raise refusal(400, "Of If-None-Match a write understands * only: make it, change nothing.")
    return tag is not None


def _patch_type(request: Request) -> str:
    """Raises 415 with the types that there are (RFC 5789 section 2.2)."""
    try:
        return check_content_type(request, frozenset(PATCH_TYPES))
    except RestError as error:
        headers = {"Accept-Patch": ", ".join(PATCH_TYPES)}
        raise RestError(error.status, error.findings, headers) from None


def _id_asked(call: Call) -> str | None:
    return call.request.path_params.get("id")


def _match_asked(call: Call) -> Match | None:
    """The condition in an address that names no resource."""
    return None if _id_asked(call) else _match(call, call.request.url.query)


def _match(call: Call, condition: str) -> Match:
    return call.services.record.match_of(call.type, condition, base=call.base)


def _write(call: Call, change: Change) -> Written:
    judge = judge_of([change], call.services.policy)
    return call.record.write([change], by=call.caller, before_commit=judge)[0]
