"""$adherence of a programme and of a child: MeasureReports, or the ledger behind them as CSV."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bodies import object_in
from service.api.headers import CSV, FHIR_TYPES, check_accept, check_content_type, wants_csv
from service.api.outcomes import FHIR_JSON, refusal
from service.api.parameters import Parameters
from service.api.queries import Pair, day_in, instant_in, pairs_of
from service.api.served import Call, Operation
from service.fhir.json import write
from service.mapping.canonical import BASE
from service.mapping.reports import report_bundle
from service.programme.adherence import Adherence
from service.record import Actor, Record
from service.record.adherence import Scope, adherence_of, scope_of_care_plan, scope_of_patient
from service.record.reports import ledger_csv

_NAMES = ("start", "end", "knownAt")

Scoping = Callable[[Record, Actor, str], Scope]
"""From the id in the address to whose adherence it is."""


@dataclass(frozen=True, slots=True)
class _Question:
    """From ``first`` to ``last``, both included, in the child's days, as known at a time."""

    first: date
    last: date
    known_at: datetime
    now: datetime

    def put_to(self, record: Record, caller: Actor, scope: Scope) -> Adherence:
        return adherence_of(
            record,
            caller,
            scope,
            self.first,
            self.last,
            known_at=self.known_at,
            now=self.now,
        )


@dataclass(frozen=True, slots=True)
class _Adherence:
    """The operation on one type."""

    scope: Scoping

    async def answer(self, call: Call) -> Response:
        """Raises 400 for days and instants that are none, 406 for other forms than JSON and CSV."""
        check_accept(call.request, FHIR_TYPES | {CSV})
        body = await call.request.body()
        if body:
            check_content_type(call.request)

        def work() -> Response:
            question = _question(_pairs(call, body), call.services.clock())
            scope = self.scope(call.record, call.caller, call.id)
            found = question.put_to(call.record, call.caller, scope)
            if wants_csv(call.request):
                return Response(ledger_csv(found), media_type=CSV)
            return Response(write(report_bundle(found, scope.subject)), media_type=FHIR_JSON)

        return await run_in_threadpool(work)


def _pairs(call: Call, body: bytes) -> list[Pair]:
    """The parameters in the address, and those of a Parameters body."""
    pairs = pairs_of(call.request)
    if body:
        given = Parameters(object_in(body, call.services.settings.max_body_bytes))
        pairs += [(name, text) for name in _NAMES if (text := given.text(name)) is not None]
    return pairs


def _question(pairs: Sequence[Pair], now: datetime) -> _Question:
    known_at = instant_in(pairs, "knownAt") or now
    if known_at > now:
        raise refusal(400, "What will be known later is not known yet.", expression="http.knownAt")
    return _Question(_needed_day(pairs, "start"), _needed_day(pairs, "end"), known_at, now)


def _needed_day(pairs: Sequence[Pair], name: str) -> date:
    day = day_in(pairs, name)
    if day is None:
        told = f"{name} must be a day, for example 2031-05-01."
        raise refusal(400, told, code="required", expression=f"http.{name}")
    return day


def _operation(type_: str, scope: Scoping) -> Operation:
    return Operation(
        name="adherence",
        definition=f"{BASE}/OperationDefinition/{type_.lower()}-adherence",
        handler=_Adherence(scope).answer,
        on_instance=("GET", "POST"),
    )


ADHERENCE = {
    "CarePlan": _operation("CarePlan", scope_of_care_plan),
    "Patient": _operation("Patient", scope_of_patient),
}
"""By the type that it is asked of."""
