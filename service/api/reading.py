"""read, vread and history."""

import re
from dataclasses import replace

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.answers import read_response
from service.api.bundle import Link, bundle, history_entry
from service.api.headers import check_accept, preference
from service.api.outcomes import FHIR_JSON, refusal
from service.api.parts import PARTS, part_of_resource, summary_in
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
from service.fhir.subset import WHOLE, Subset
from service.record.transactions import Asked
from service.record.view import View
from service.store.contract import Version

_VERSION = re.compile(r"[1-9]\d{0,8}", re.ASCII)
_SHOWN = frozenset({"_format", "_pretty"})
_KEPT = frozenset({"_since", "_at"}) | PARTS
_KNOWN = _KEPT | _SHOWN | {"_count", PAGE}


async def read(call: Call) -> Response:
    """GET of a resource: its current version."""
    check_accept(call.request)
    subset = part_of_read(call) if call.request.scope["query_string"] else WHOLE
    version = await call.reads.one(call.caller, call.type, call.id)
    return await _answer(call, version, subset)


async def vread(call: Call) -> Response:
    """GET of one version."""
    check_accept(call.request)
    subset = part_of_read(call)
    version = await version_asked(call)
    return await _answer(call, version, subset)


async def version_asked(call: Call) -> Version:
    """The version that the address names. Raises 404 for one that cannot be."""
    number = str(call.request.path_params["version"])
    if not _VERSION.fullmatch(number):
        raise refusal(404, "There is no such version.")
    return await run_in_threadpool(call.record.vread, call.caller, call.type, call.id, int(number))


def part_of_read(call: Call) -> Subset:
    """What the parameters leave of the resource. Raises 400."""
    pairs = pairs_of(call.request)
    _check_known(call, pairs, PARTS | _SHOWN)
    return part_of_resource(pairs, [call.type])


async def _answer(call: Call, version: Version, subset: Subset) -> Response:
    if subset:
        body = await run_in_threadpool(subset.of_body, version.body)
        version = replace(version, body=body)
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


def asked_history(call: Call) -> Asked:
    """A history of a type or a resource, understood and not yet carried out."""
    id_ = call.request.path_params.get("id")
    path = f"{call.base}/{call.type}/{id_}" if id_ else f"{call.base}/{call.type}"
    return _asked(call, id_, f"{path}/_history")


async def _history(call: Call, id_: str | None, path: str) -> Response:
    check_accept(call.request)
    asked = _asked(call, id_, path)

    def work() -> bytes:
        with call.record.view(call.caller) as view:
            return asked(view)

    return Response(await run_in_threadpool(work), media_type=FHIR_JSON)


def _asked(call: Call, id_: str | None, path: str) -> Asked:
    """Raises 400 for what cannot be understood."""
    pairs = pairs_of(call.request)
    _check_known(call, pairs, _KNOWN)
    settings = call.services.settings
    count = page_size(count_in(pairs), settings.page_size, settings.max_page_size)
    if summary_in(pairs) == "count":
        count = 0
    types = [call.type] if call.type else list(call.types)
    subset = WHOLE if count == 0 else part_of_resource(pairs, types)
    since, at = instant_in(pairs, "_since"), span_in(pairs, "_at")
    cursor = only(pairs, PAGE)
    kept = [pair for pair in pairs if pair[0] in _KEPT]
    kept.append(("_count", str(count)))
    links = [Link("self", address(path, kept))]
    type_ = call.type or None

    def answer(view: View) -> bytes:
        if count == 0:
            total = view.history_total(type_, id_, since=since, at=at)
            return bundle("history", (), total=total, links=links)
        page = view.history(type_, id_, since=since, at=at, count=count, cursor=cursor)
        more = [] if page.next is None else [(PAGE, page.next)]
        following = [Link("next", address(path, [*kept, *more]))] if more else []
        entries = (history_entry(version, call.base, subset) for version in page.versions)
        return bundle("history", entries, links=[*links, *following])

    return answer


def _check_known(call: Call, pairs: list[Pair], known: frozenset[str]) -> None:
    unknown = sorted({name for name, _ in pairs} - known)
    if unknown and preference(call.request).strict:
        raise refusal(400, f"Unknown parameters: {', '.join(unknown)}.", code="not-supported")
