"""Search by GET and by POST: the answer says in its self link what was understood."""

from collections.abc import Iterator
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bundle import Link, bundle, match_entry, outcome_entry
from service.api.headers import check_accept, preference
from service.api.outcomes import FHIR_JSON, RestError
from service.api.queries import PAGE, Pair, address, form_pairs_of, only, page_size, pairs_of
from service.api.served import Call
from service.fhir.outcome import Finding, shown
from service.fhir.search.query import Search, parse_search
from service.store.contract import Page


@dataclass(frozen=True, slots=True)
class _Found:
    page: Page
    total: int | None


async def search(call: Call) -> Response:
    """GET of a type with parameters."""
    return await _search(call, pairs_of(call.request))


async def search_by_form(call: Call) -> Response:
    """POST of a form: its parameters and those in the address."""
    return await _search(call, await form_pairs_of(call.request))


async def _search(call: Call, pairs: list[Pair]) -> Response:
    check_accept(call.request)
    cursor = only(pairs, PAGE)
    asked = parse_search(call.type, [pair for pair in pairs if pair[0] != PAGE], base=call.base)
    warnings = [_unknown(name) for name in dict.fromkeys(asked.unknown)]
    if warnings and preference(call.request).strict:
        raise RestError(
            400, [Finding("error", w.code, w.expression, w.diagnostics) for w in warnings]
        )
    settings = call.services.settings
    count = page_size(asked.count, settings.page_size, settings.max_page_size)
    found = await run_in_threadpool(_find, call, asked, count, cursor)
    body = bundle(
        "searchset",
        _entries(call, found, warnings),
        total=found.total,
        links=_links(call, asked, count, found.page.next),
    )
    return Response(body, media_type=FHIR_JSON)


def _find(call: Call, asked: Search, count: int, cursor: str | None) -> _Found:
    """Runs in one worker thread. With ``_total=none`` nothing is counted."""
    counted = count == 0 or ("_total", "none") not in asked.understood
    total = call.record.total(call.caller, call.type, asked.criteria) if counted else None
    if count == 0:
        return _Found(Page((), None), total)
    page = call.record.search(
        call.caller, call.type, asked.criteria, sort=asked.sort, count=count, cursor=cursor
    )
    return _Found(page, total)


def _entries(call: Call, found: _Found, warnings: list[Finding]) -> Iterator[bytes]:
    for version in found.page.versions:
        yield match_entry(version, call.base)
    if warnings:
        yield outcome_entry(warnings)


def _links(call: Call, asked: Search, count: int, following: str | None) -> list[Link]:
    path = f"{call.base}/{call.type}"
    used = [pair for pair in asked.understood if pair[0] not in ("_count", "_format", "_pretty")]
    used.append(("_count", str(count)))
    links = [Link("self", address(path, used))]
    if following is not None:
        links.append(Link("next", address(path, [*used, (PAGE, following)])))
    return links


def _unknown(name: str) -> Finding:
    told = f"Parameter {shown(name)} is not known here."
    return Finding("warning", "not-supported", f"http.{name[:64]}", told)
