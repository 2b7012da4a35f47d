"""$lastn: the last Observations of each code (R4 operation Observation-lastn)."""

import re
from collections.abc import Sequence
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bundle import Link, bundle, match_entry
from service.api.headers import check_accept
from service.api.outcomes import FHIR_JSON, refusal
from service.api.queries import Pair, address, form_pairs_of, only, pairs_of
from service.api.search_questions import asking, warnings_of
from service.api.served import Call, Operation
from service.record.latest import last_of_each

_SUBJECTS: Final = frozenset({"patient", "subject"})
_CODES: Final = frozenset({"category", "code", "code-value-concept", "code-value-quantity"})


async def lastn(call: Call) -> Response:
    """The last ``max`` (1 where it is left out) of each code, newest first, on one page.

    Takes the search parameters of Observation; a patient and a code or category must be among
    them. Raises 400.
    """
    check_accept(call.request)
    form = call.request.method == "POST" and await call.request.body()
    pairs = await form_pairs_of(call.request) if form else pairs_of(call.request)
    most = _most(only(pairs, "max"))
    asked = asking(call, ["Observation"], [pair for pair in pairs if pair[0] != "max"])

    _check_narrow(asked.search.understood)

    def work() -> bytes:
        with call.record.view(call.caller) as view:
            found = last_of_each(view, asked.search.criteria, most)
        own = address(f"{call.base}/Observation/$lastn", [*asked.honoured, ("max", str(most))])
        entries = [match_entry(version, call.base, asked.subset) for version in found]
        entries += warnings_of(asked)
        return bundle("searchset", entries, total=len(found), links=[Link("self", own)])

    return Response(await run_in_threadpool(work), media_type=FHIR_JSON)


def _most(text: str | None) -> int:
    if text is None:
        return 1
    if not re.fullmatch(r"[1-9]\d{0,8}", text, re.ASCII):
        raise refusal(400, "A whole number from 1 is expected.", expression="http.max")
    return int(text)


def _check_narrow(pairs: Sequence[Pair]) -> None:
    asked = {re.split(r"[:.]", name)[0] for name, _ in pairs}
    for names in (_SUBJECTS, _CODES):
        if not asked & names:
            told = f"One of {', '.join(sorted(names))} is expected."
            raise refusal(400, told, code="required")


LASTN = Operation(
    name="lastn",
    definition="http://hl7.org/fhir/OperationDefinition/Observation-lastn",
    handler=lastn,
    on_type=("GET", "POST"),
)
"""Of Observation."""
