"""Measure/$evaluate-measure: one of our measures for a child, a group, or everybody.

Parameters and their meaning are those of R4 (OperationDefinition Measure-evaluate-measure, 4.0.1).
Not served: ``practitioner``. ``lastReceivedOn`` shortens the list of what was evaluated to what
became known since; the figures stay those of all.
"""

from collections.abc import Callable, Sequence
from datetime import date, datetime

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.adherence_questions import (
    POPULATION,
    SUBJECT,
    SUBJECT_LIST,
    chosen,
    pairs_in,
)
from service.api.outcomes import FHIR_JSON, refusal
from service.api.queries import Pair, instant_in, only
from service.api.served import Call, Operation
from service.fhir.json import JsonObject, write
from service.fhir.outcome import shown
from service.mapping.canonical import BASE
from service.mapping.group_reports import subject_list, summary
from service.mapping.report_parts import MEASURE_VERSION
from service.mapping.reports import single_report
from service.programme.adherence import FIGURES, FigureName
from service.programme.base import partial_date
from service.programme.moments import earliest, latest
from service.record.adherence import scope_of_patient
from service.record.cohorts import (
    Asked,
    Cohort,
    everybody,
    group_answer,
    group_cohort,
    list_answer,
)

_NAMES = (
    "periodStart", "periodEnd", "measure", "reportType", "subject", "practitioner",
    "lastReceivedOn",
)  # fmt: skip
_MEASURES = {f"airway-{name}": name for name in FIGURES}


async def _evaluate(call: Call) -> Response:
    pairs = await pairs_in(call, _NAMES)
    if only(pairs, "practitioner") is not None:
        told = "Measures are not worked out by practitioner here: ask about a child or a Group."
        raise refusal(422, told, code="not-supported", expression="http.practitioner")
    now = call.services.clock()
    first = _edge(pairs, "periodStart", earliest)
    asked = Asked(first, _edge(pairs, "periodEnd", latest), now, now)
    subject, kind = _subject(call, pairs)
    since = _received_since(pairs, kind)

    def work() -> Response:
        name = _measure(call, pairs)
        if kind == SUBJECT:
            told = _of_child(call, name, subject, asked, since)
        else:
            told = _of_many(call, name, subject, asked, kind)
        return Response(write(told), media_type=FHIR_JSON)

    return await run_in_threadpool(work)


def _of_child(
    call: Call, name: FigureName, subject: str, asked: Asked, since: datetime | None
) -> JsonObject:
    record = call.services.record
    scope = scope_of_patient(record, call.caller, subject.partition("/")[2])
    answer = asked.of(record, call.caller, scope)
    return single_report(name, answer, scope.subject, received_since=since)


def _of_many(call: Call, name: FigureName, subject: str, asked: Asked, kind: str) -> JsonObject:
    record = call.services.record
    cohort = _cohort(call, subject, asked)
    if kind == POPULATION:
        return summary(name, group_answer(record, call.caller, cohort, asked), cohort.subject)
    group, children = list_answer(record, call.caller, cohort, asked)
    return subject_list(name, group, cohort.subject, children)


def _cohort(call: Call, subject: str, asked: Asked) -> Cohort:
    record = call.services.record
    if not subject:
        return everybody(record, call.caller)
    return group_cohort(record, call.caller, subject.partition("/")[2], asked)


def _subject(call: Call, pairs: Sequence[Pair]) -> tuple[str, str]:
    """``Patient/id``, ``Group/id`` or nothing for everybody; and the type of the report."""
    text = (only(pairs, "subject") or "").removeprefix(f"{call.base}/")
    type_, slash, id_ = text.partition("/")
    if text and (type_ not in ("Patient", "Group") or not id_ or "/" in id_):
        told = f"Found {shown(text)}, expected Patient/<id> or Group/<id>."
        raise refusal(400, told, expression="http.subject")
    one_child = type_ == "Patient" and bool(slash)
    offered = (SUBJECT,) if one_child else (POPULATION, SUBJECT_LIST)
    return text, chosen(pairs, "reportType", offered)


def _received_since(pairs: Sequence[Pair], kind: str) -> datetime | None:
    since = instant_in(pairs, "lastReceivedOn")
    if since is not None and kind != SUBJECT:
        told = "lastReceivedOn belongs to the report of one child."
        raise refusal(400, told, expression="http.lastReceivedOn")
    return since


def _measure(call: Call, pairs: Sequence[Pair]) -> FigureName:
    """The figure that the measure is about. Raises 422 for a measure that nobody here computes."""
    named = only(pairs, "measure")
    on_instance = "id" in call.request.path_params
    if on_instance == (named is not None):
        told = "The measure is named once: in the address, or by the parameter measure."
        raise refusal(400, told, code="invalid", expression="http.measure")
    if on_instance:
        id_ = call.record.read(call.caller, "Measure", call.id).id
    else:
        id_ = _id_of(call, str(named))
    if id_ not in _MEASURES:
        told = f"Only these measures are worked out here: {', '.join(_MEASURES)}."
        raise refusal(422, told, code="not-supported", expression="http.measure")
    return _MEASURES[id_]


def _id_of(call: Call, named: str) -> str:
    """Named by id, by reference, or by canonical with or without its version."""
    canonical, bar, version = named.partition("|")
    if bar and version != MEASURE_VERSION:
        return ""
    for prefix in (f"{BASE}/Measure/", f"{call.base}/Measure/", "Measure/"):
        canonical = canonical.removeprefix(prefix)
    return canonical


def _edge(pairs: Sequence[Pair], name: str, of_partial: Callable[[str], date]) -> date:
    """The first or last day of a date or of a part of one, as R4 has it for these parameters."""
    text = only(pairs, name)
    if text is None:
        raise refusal(400, f"{name} is expected.", code="required", expression=f"http.{name}")
    try:
        return of_partial(str(partial_date(text)))
    except ValueError:
        told = f"{name} must be a day, a month or a year, for example 2031-05-01."
        raise refusal(400, told, code="value", expression=f"http.{name}") from None


EVALUATE = Operation(
    name="evaluate-measure",
    definition="http://hl7.org/fhir/OperationDefinition/Measure-evaluate-measure",
    handler=_evaluate,
    on_type=("GET", "POST"),
    on_instance=("GET", "POST"),
)
"""Of Measure, and of one measure."""
