"""$adherence of a programme, a child and a group: MeasureReports, or what is behind them as CSV."""

from collections.abc import Callable
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.adherence_questions import (
    POPULATION,
    SUBJECT,
    SUBJECT_LIST,
    asked_in,
    chosen,
    pairs_in,
)
from service.api.headers import CSV, FHIR_TYPES, wants_csv
from service.api.outcomes import FHIR_JSON
from service.api.served import Call, Handler, Operation
from service.fhir.json import JsonObject, write
from service.mapping.canonical import BASE
from service.mapping.group_reports import subject_list, summary
from service.mapping.reports import collection, report_bundle
from service.programme.adherence import FIGURES
from service.record import Actor, Record
from service.record.adherence import Scope, scope_of_care_plan, scope_of_patient
from service.record.cohorts import Asked, Cohort, group_answer, group_cohort, list_answer
from service.record.reports import figures_csv, ledger_csv, ledgers_csv, weeks_csv

_NAMES = ("start", "end", "knownAt", "technique", "reportType", "table")
_LEDGER, _WEEKS = "ledger", "weeks"

Scoping = Callable[[Record, Actor, str], Scope]
"""From the id in the address to whose adherence it is."""


@dataclass(frozen=True, slots=True)
class _OfChild:
    """The operation on a type of which each is one child's."""

    scope: Scoping

    async def answer(self, call: Call) -> Response:
        """Raises 400 for days and instants that are none, 406 for other forms than JSON and CSV."""
        pairs = await pairs_in(call, _NAMES, FHIR_TYPES | {CSV})
        asked = asked_in(pairs, call.services.clock())
        chosen(pairs, "reportType", (SUBJECT,))
        table = chosen(pairs, "table", (_LEDGER, _WEEKS))

        def work() -> Response:
            scope = self.scope(call.record, call.caller, call.id)
            found = asked.of(call.record, call.caller, scope)
            if wants_csv(call.request):
                text = ledger_csv(found) if table == _LEDGER else weeks_csv(found)
                return Response(text, media_type=CSV)
            return _json(report_bundle(found, scope.subject))

        return await run_in_threadpool(work)


async def _of_group(call: Call) -> Response:
    """A summary, or a list with each child's reports; as CSV the figures, or all ledgers."""
    pairs = await pairs_in(call, _NAMES, FHIR_TYPES | {CSV})
    asked = asked_in(pairs, call.services.clock())
    kind = chosen(pairs, "reportType", (POPULATION, SUBJECT_LIST))
    chosen(pairs, "table", (_LEDGER,))

    def work() -> Response:
        cohort = group_cohort(call.record, call.caller, call.id, asked)
        return (_population if kind == POPULATION else _list)(call, cohort, asked)

    return await run_in_threadpool(work)


def _population(call: Call, cohort: Cohort, asked: Asked) -> Response:
    group = group_answer(call.record, call.caller, cohort, asked)
    if wants_csv(call.request):
        return Response(figures_csv(group), media_type=CSV)
    reports = [summary(name, group, cohort.subject) for name in FIGURES]
    return _json(collection(reports, group.computed_at))


def _list(call: Call, cohort: Cohort, asked: Asked) -> Response:
    group, children = list_answer(call.record, call.caller, cohort, asked)
    if wants_csv(call.request):
        return Response(ledgers_csv(children), media_type=CSV)
    reports = [subject_list(name, group, cohort.subject, children) for name in FIGURES]
    return _json(collection(reports, group.computed_at))


def _json(resource: JsonObject) -> Response:
    return Response(write(resource), media_type=FHIR_JSON)


def _operation(type_: str, handler: Handler) -> Operation:
    return Operation(
        name="adherence",
        definition=f"{BASE}/OperationDefinition/{type_.lower()}-adherence",
        handler=handler,
        on_instance=("GET", "POST"),
    )


ADHERENCE = {
    "CarePlan": _operation("CarePlan", _OfChild(scope_of_care_plan).answer),
    "Group": _operation("Group", _of_group),
    "Patient": _operation("Patient", _OfChild(scope_of_patient).answer),
}
"""By the type that it is asked of."""
