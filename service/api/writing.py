"""create, update, delete: each one thread hop and one unit of work."""

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.answers import written_response
from service.api.bodies import body_of, resource_in
from service.api.headers import check_accept
from service.api.outcomes import refusal
from service.api.served import Call
from service.fhir.positions import located
from service.record import Change, Create, Delete, Match, Update, Written
from service.record.errors import Invalid
from service.record.matching import match_of
from service.record.plans_sent import judge_of


async def create(call: Call) -> Response:
    """POST to a type; with If-None-Exist only when nothing meets the condition."""
    check_accept(call.request)
    body = await body_of(call.request)
    condition = call.request.headers.get("if-none-exist")

    def work() -> Written:
        match = None if condition is None else _match(call, condition)
        return _write(call, Create(resource_in(body, call), match=match), body)

    return written_response(call.request, await run_in_threadpool(work), call.base)


async def update(call: Call) -> Response:
    """PUT to a resource; makes it when there is none."""
    check_accept(call.request)
    body = await body_of(call.request)

    def work() -> Written:
        resource = resource_in(body, call)
        if resource.get("id") != call.id:
            told = "The id in the body must be the id in the address."
            raise refusal(400, told, expression=f"{call.type}.id")
        return _write(call, Update(resource, if_match=call.request.headers.get("if-match")), body)

    return written_response(call.request, await run_in_threadpool(work), call.base)


async def update_matching(call: Call) -> Response:
    """PUT to a type with a condition: the one resource that meets it, or a new one."""
    check_accept(call.request)
    body = await body_of(call.request)

    def work() -> Written:
        match = _match(call, call.request.url.query)
        if_match = call.request.headers.get("if-match")
        return _write(call, Update(resource_in(body, call), if_match=if_match, match=match), body)

    return written_response(call.request, await run_in_threadpool(work), call.base)


async def delete(call: Call) -> Response:
    """DELETE of a resource: its versions stay in its history."""
    check_accept(call.request)
    change = Delete(call.type, call.id, if_match=call.request.headers.get("if-match"))
    await run_in_threadpool(_write, call, change)
    return Response(status_code=204)


def _match(call: Call, condition: str) -> Match:
    return match_of(call.type, condition, base=call.base)


def _write(call: Call, change: Change, body: bytes = b"") -> Written:
    """Carries out a change; what is wrong with the resource in ``body`` is located there."""
    services = call.services
    judge = judge_of([change], services.policy)
    try:
        return services.record.write([change], by=call.caller, before_commit=judge)[0]
    except Invalid as error:
        if not body:
            raise
        raise Invalid(located(error.findings, body)) from None
