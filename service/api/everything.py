"""$everything: a child's whole record (R4 operation Patient-everything)."""

from collections.abc import Sequence
from functools import partial
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bodies import body_of
from service.api.bundle import bundle, include_entry, match_entry, outcome_entry
from service.api.headers import check_accept
from service.api.outcomes import FHIR_JSON, refusal
from service.api.parameters import parts_in
from service.api.queries import (
    PAGE,
    Pair,
    count_in,
    day_in,
    instant_in,
    only,
    page_size,
    pairs_of,
)
from service.api.searching import cut_short, named_types, page_links
from service.api.served import Call, Operation
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.search.compartments import compartment
from service.record.everything import Wanted, everything, questions

_KNOWN: Final = ("start", "end", "_since", "_type", "_count", PAGE, "_format", "_pretty")


async def all_of_patient(call: Call) -> Response:
    """Everything on one page as far as a page holds it, else with a link to the next.

    Raises 400 for what is malformed or unknown, 404 and 410 for a patient that is not here.
    """
    check_accept(call.request)
    body = await call.request.body()
    if body:
        body = await body_of(call.request)
    return Response(
        await run_in_threadpool(lambda: _page(call, _pairs(call, body))), media_type=FHIR_JSON
    )


def _page(call: Call, pairs: Sequence[Pair]) -> bytes:
    wanted = _wanted(call, pairs)
    most = call.services.settings.max_page_size
    count = max(page_size(count_in(pairs), most, most), 1)
    cursor = only(pairs, PAGE)
    call.record.read(call.caller, call.type, call.id)
    types = [one for one, served in call.types.items() if not served.shipped]
    asked = questions(call.id, partial(compartment, "Patient", call.id), types, wanted)
    with call.record.view(call.caller) as view:
        links = call.services.parameters.references
        found = everything(view, asked, call.id, wanted, links, count=count, cursor=cursor)
    entries = [match_entry(version, call.base) for version in found.page.versions]
    entries += [include_entry(version, call.base) for version in found.included.versions]
    told = list(cut_short(found.included))
    if told:
        entries.append(outcome_entry(told))
    used = [pair for pair in pairs if pair[0] in ("start", "end", "_since", "_type")]
    used.append(("_count", str(count)))
    path = f"{call.base}/Patient/{call.id}/$everything"
    return bundle("searchset", entries, links=page_links(path, used, cursor, found.page.next))


def _wanted(call: Call, pairs: Sequence[Pair]) -> Wanted:
    for name, _ in pairs:
        if name not in _KNOWN:
            told = f"Found {shown(name)}, expected one of: {', '.join(_KNOWN[:5])}."
            raise refusal(400, told, code="not-supported", expression=f"http.{name[:64]}")
    types = frozenset(named_types(call, pairs))
    since = instant_in(pairs, "_since")
    return Wanted(types or None, day_in(pairs, "start"), day_in(pairs, "end"), since)


def _pairs(call: Call, body: bytes) -> list[Pair]:
    """The parameters in the address, and those of a Parameters body."""
    pairs = pairs_of(call.request)
    if not body:
        return pairs
    return pairs + [(part["name"], _text(part)) for part in parts_in(call, body)]


def _text(part: JsonObject) -> str:
    values = [value for name, value in part.items() if name.startswith("value")]
    return str(values[0]) if values else ""


EVERYTHING = Operation(
    name="everything",
    definition="http://hl7.org/fhir/OperationDefinition/Patient-everything",
    handler=all_of_patient,
    on_instance=("GET", "POST"),
)
"""Of a Patient."""
