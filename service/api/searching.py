"""Search by GET and by POST, of a type, of a compartment and of the whole system.

The answer says in its self link what was understood. Its pages go by cursors: whatever stays in
place is neither skipped nor repeated while others write.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bundle import Link, bundle, include_entry, match_entry
from service.api.headers import check_accept
from service.api.outcomes import FHIR_JSON, refusal
from service.api.queries import PAGE, Pair, address, form_pairs_of, page_size, pairs_of
from service.api.search_questions import Asking, Within, asking, warnings_of
from service.api.served import Call
from service.fhir.outcome import Finding, shown
from service.fhir.search.compartments import compartment
from service.record.finding import page_of, total_of
from service.record.includes import MOST_INCLUDED, MOST_STEPS, Included, Links, included
from service.record.transactions import Asked
from service.record.view import View
from service.store.contract import Page

_TYPES = "_type"


@dataclass(frozen=True, slots=True)
class _Target:
    """What is searched, and the address that it is searched at."""

    path: str
    types: Sequence[str]
    pairs: Sequence[Pair]
    within: Within = lambda _: None
    spoken: tuple[Pair, ...] = ()


@dataclass(frozen=True, slots=True)
class _Found:
    page: Page
    total: int | None
    included: Included


async def search(call: Call) -> Response:
    """GET of a type with parameters."""
    return await _search(call, _of_type(call, pairs_of(call.request)))


async def search_by_form(call: Call) -> Response:
    """POST of a form: its parameters and those in the address."""
    return await _search(call, _of_type(call, await form_pairs_of(call.request)))


async def search_of_all(call: Call) -> Response:
    """GET of the system: several types at once, which ``_type`` names."""
    return await _search(call, _of_system(call, pairs_of(call.request)))


async def search_of_all_by_form(call: Call) -> Response:
    """The same by POST of a form."""
    return await _search(call, _of_system(call, await form_pairs_of(call.request)))


async def search_within(call: Call) -> Response:
    """GET of a type, or ``*`` for all, in a resource's compartment."""
    return await _search(call, _of_compartment(call, pairs_of(call.request)))


async def search_within_by_form(call: Call) -> Response:
    """The same by POST of a form, as clients send it (R4 has it for types only)."""
    return await _search(call, _of_compartment(call, await form_pairs_of(call.request)))


def _of_type(call: Call, pairs: Sequence[Pair]) -> _Target:
    return _Target(f"{call.base}/{call.type}", [call.type], pairs)


def _of_system(call: Call, pairs: Sequence[Pair]) -> _Target:
    types = named_types(call, pairs)
    if not types:
        told = "A search of the system says which types it is about: _type=Patient,CarePlan."
        raise refusal(400, told, code="required", expression=f"http.{_TYPES}")
    rest = [pair for pair in pairs if pair[0] != _TYPES]
    return _Target(call.base, types, rest, spoken=((_TYPES, ",".join(types)),))


def _of_compartment(call: Call, pairs: Sequence[Pair]) -> _Target:
    name, inside = call.type, str(call.request.path_params["inside"])
    within = partial(compartment, name, call.id)
    path = f"{call.base}/{name}/{quote(call.id, safe='')}/{inside}"
    if inside != "*":
        if inside not in call.types or within(inside) is None:
            told = f"{shown(inside)} is not in the compartment of {name}."
            raise refusal(404, told, code="not-supported")
        return _Target(path, [inside], pairs, within)
    named = named_types(call, pairs)
    types = [one for one in named or call.types if _is_kept(call, one) and within(one) is not None]
    if not types:
        told = f"There is nothing in a compartment of {name}."
        raise refusal(404, told, code="not-supported")
    spoken = ((_TYPES, ",".join(types)),) if named else ()
    rest = [pair for pair in pairs if pair[0] != _TYPES]
    return _Target(path, types, rest, within, spoken)


def _is_kept(call: Call, type_: str) -> bool:
    """Whether resources of the type are in the record."""
    served = call.types.get(type_)
    return served is not None and not served.shipped and "search-type" in served.interactions


def named_types(call: Call, pairs: Sequence[Pair]) -> list[str]:
    """The types that ``_type`` names, each once. Raises 400 for one that is not searched here."""
    texts = [text for name, text in pairs if name == _TYPES]
    named = list(dict.fromkeys(one for text in texts for one in text.split(",")))
    for one in named:
        if not _is_kept(call, one):
            told = f"{shown(one)} is no type that is searched here."
            raise refusal(400, told, code="value", expression=f"http.{_TYPES}")
    return named


def asked_of_type(call: Call) -> Asked:
    """A search of a type by GET, understood and not yet carried out."""
    return _asked(call, _of_type(call, pairs_of(call.request)))


async def _search(call: Call, target: _Target) -> Response:
    check_accept(call.request)

    def work() -> bytes:
        asked = _asked(call, target)
        with call.record.view(call.caller) as view:
            return asked(view)

    return Response(await run_in_threadpool(work), media_type=FHIR_JSON)


def _asked(call: Call, target: _Target) -> Asked:
    """Raises SearchError and RestError for what cannot be understood."""
    asked = asking(call, target.types, target.pairs, target.within)
    settings = call.services.settings
    count = page_size(asked.search.count, settings.page_size, settings.max_page_size)
    if asked.search.summary == "count":
        count = 0

    def answer(view: View) -> bytes:
        found = _find(view, asked, count, call.services.parameters.references)
        return bundle(
            "searchset",
            _entries(call, asked, found),
            total=found.total,
            links=_links(target, asked, count, found.page.next),
        )

    return answer


def _find(view: View, asked: Asking, count: int, links: Links) -> _Found:
    """With ``_total=none`` nothing is counted, unless nothing but a count is asked."""
    counted = count == 0 or asked.search.total != "none"
    total = total_of(view, asked.questions) if counted else None
    if count == 0:
        return _Found(Page((), None), total, Included())
    sort, cursor = asked.search.sort, asked.cursor
    page = page_of(view, asked.questions, sort=sort, count=count, cursor=cursor)
    come = included(view, page.versions, asked.search.includes, links)
    return _Found(page, total, come)


def _entries(call: Call, asked: Asking, found: _Found) -> Iterator[bytes]:
    for version in found.page.versions:
        yield match_entry(version, call.base, asked.subset)
    for version in found.included.versions:
        yield include_entry(version, call.base, asked.of_included)
    yield from warnings_of(asked, *cut_short(found.included))


def cut_short(come: Included) -> Iterator[Finding]:
    """What to say when not everything came along."""
    if come.cut:
        told = (
            f"More would be included: at most {MOST_INCLUDED} resources come with a page, "
            f"{MOST_STEPS} steps away."
        )
        yield Finding("warning", "too-costly", "http._include", told)


def _links(target: _Target, asked: Asking, count: int, following: str | None) -> list[Link]:
    used = [*target.spoken, *asked.honoured, ("_count", str(count))]
    return page_links(target.path, used, asked.cursor, following)


def page_links(
    path: str, used: Sequence[Pair], cursor: str | None, following: str | None
) -> list[Link]:
    """Links to the page at ``cursor``, to the first one from another, and to the one after it."""
    pages: dict[str, str | None] = {"self": cursor}
    if cursor:
        pages["first"] = None
    if following:
        pages["next"] = following
    return [
        Link(name, address(path, [*used, (PAGE, page)] if page else used))
        for name, page in pages.items()
    ]
