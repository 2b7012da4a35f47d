"""read, vread and history."""

import re

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.answers import read_response
from service.api.bundle import Link, bundle, history_entry
from service.api.headers import check_accept, preference
from service.api.outcomes import FHIR_JSON, refusal
from service.api.queries import (
    PAGE,
    Pair,
    address,
    count_in,
    instant_in,
    only,
    page_size,
    pairs_of,
    span_in,
)
from service.api.served import Call
from service.store.contract import Page

_VERSION = re.compile(r"[1-9]\d{0,8}", re.ASCII)
_TIMES = frozenset({"_since", "_at"})
_KNOWN = _TIMES | {"_count", "_format", "_pretty", PAGE}


async def read(call: Call) -> Response:
    """GET of a resource: its current version."""
    check_accept(call.request)
    version = await call.reads.one(call.caller, call.type, call.id)
    return read_response(call.request, version)


async def vread(call: Call) -> Response:
    """GET of one version."""
    check_accept(call.request)
    number = str(call.request.path_params["version"])
    if not _VERSION.fullmatch(number):
        raise refusal(404, "There is no such version.")
    version = await run_in_threadpool(
        call.record.vread, call.caller, call.type, call.id, int(number)
    )
    return read_response(call.request, version)


async def history_of_instance(call: Call) -> Response:
    """Every version of a resource, newest first."""
    return await _history(call, call.id, f"{call.base}/{call.type}/{call.id}/_history")


async def history_of_type(call: Call) -> Response:
    """Every version of every resource of a type, newest first."""
    return await _history(call, None, f"{call.base}/{call.type}/_history")


async def history_of_all(call: Call) -> Response:
    """Every version of every resource, newest first."""
    return await _history(call, None, f"{call.base}/_history")


async def _history(call: Call, id_: str | None, path: str) -> Response:
    check_accept(call.request)
    pairs = pairs_of(call.request)
    _check_known(call, pairs)
    settings = call.services.settings
    count = page_size(count_in(pairs), settings.page_size, settings.max_page_size)
    since, at = instant_in(pairs, "_since"), span_in(pairs, "_at")
    cursor = only(pairs, PAGE)

    def work() -> Page:
        if count == 0:
            return Page((), None)
        return call.record.history(
            call.caller, call.type or None, id_, since=since, at=at, count=count, cursor=cursor
        )

    page = await run_in_threadpool(work)
    kept = [(name, value) for name, value in pairs if name in _TIMES]
    kept.append(("_count", str(count)))
    links = [Link("self", address(path, kept))]
    if page.next is not None:
        links.append(Link("next", address(path, [*kept, (PAGE, page.next)])))
    entries = (history_entry(version, call.base) for version in page.versions)
    return Response(bundle("history", entries, links=links), media_type=FHIR_JSON)


def _check_known(call: Call, pairs: list[Pair]) -> None:
    unknown = sorted({name for name, _ in pairs} - _KNOWN)
    if unknown and preference(call.request).strict:
        raise refusal(400, f"Unknown parameters: {', '.join(unknown)}.", code="not-supported")
