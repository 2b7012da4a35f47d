"""``$everything``: a child's whole record (R4 operation Patient-everything).

That is the patient, what is in the patient's compartment, and what those refer to: practitioners,
organisations, devices. Another patient, and what is in another's compartment alone, never comes
along.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from service.fhir.json import read
from service.fhir.search.query import Include
from service.fhir.search.terms import (
    AnyOf,
    Condition,
    Criterion,
    DateValue,
    Prefix,
    TokenValue,
)
from service.fhir.spans import span_of
from service.record.finding import Question, page_of
from service.record.includes import Included, Links, included
from service.record.links import references
from service.record.view import View
from service.store.contract import Page, Version

CARE_DATES: Mapping[str, str] = {
    "AuditEvent": "date",
    "CarePlan": "date",
    "CareTeam": "date",
    "Communication": "sent",
    "Condition": "onset-date",
    "Consent": "date",
    "DetectedIssue": "identified",
    "DeviceRequest": "event-date",
    "DocumentReference": "date",
    "Encounter": "date",
    "Flag": "date",
    "Goal": "start-date",
    "List": "date",
    "MeasureReport": "period",
    "Observation": "date",
    "Provenance": "recorded",
    "QuestionnaireResponse": "authored",
    "ServiceRequest": "occurrence",
    "Task": "period",
}
"""By type, the search parameter that says when care was given (ours: R4 names none)."""

_ALL_THAT_IS_REFERRED_TO = (Include("*", "*", None, iterate=True, reverse=False),)

_ALSO_ABOUT: Mapping[str, str] = {"Task": "patient"}
"""What R4's compartment leaves out (compartmentdefinition-patient.html): the tasks for a child."""

Compartment = Callable[[str], Criterion | None]
"""What a resource of a type meets when it is in the patient's compartment; None for a type that
is in none."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """``types`` None: all. ``since``: what was written at or after it. Days include both ends."""

    types: frozenset[str] | None = None
    start: date | None = None
    end: date | None = None
    since: datetime | None = None


@dataclass(frozen=True, slots=True)
class Everything:
    """A page of the patient's own resources, and what comes with them."""

    page: Page
    included: Included


def questions(
    patient: str, compartment: Compartment, types: Sequence[str], wanted: Wanted
) -> list[Question]:
    """The patient first, then each type of the compartment."""
    found = []
    for type_ in ["Patient", *(one for one in types if one != "Patient")]:
        own: Criterion | None = Condition("_id", "token", (TokenValue(None, patient),))
        within = own if type_ == "Patient" else compartment(type_)
        if (also := _ALSO_ABOUT.get(type_)) is not None:
            about = Condition.refers_to(also, "Patient", patient)
            within = AnyOf((within, about)) if within else about
        if within is not None and (wanted.types is None or type_ in wanted.types):
            found.append(Question(type_, (within, *_times(type_, wanted))))
    return found


def everything(
    view: View,
    asked: Sequence[Question],
    patient: str,
    wanted: Wanted,
    links: Links,
    *,
    count: int,
    cursor: str | None,
) -> Everything:
    """A page of what was asked. Raises CursorError."""
    page = page_of(view, asked, count=count, cursor=cursor) if asked else Page((), None)
    within = frozenset(question.type for question in asked)

    def comes_along(version: Version) -> bool:
        if version.type == "Patient" or (wanted.types and version.type not in wanted.types):
            return False
        about = _patients(version)
        return about <= {f"Patient/{patient}"} and not (about and version.type in within)

    come = included(view, page.versions, _ALL_THAT_IS_REFERRED_TO, links, wanted=comes_along)
    return Everything(page, come)


def _patients(version: Version) -> set[str]:
    """The patients that a resource refers to."""
    found = (text.partition("/_history")[0] for _, text in references(read(version.body)))
    return {text for text in found if text.startswith("Patient/")}


def _times(type_: str, wanted: Wanted) -> list[Criterion]:
    times: list[Criterion] = []
    if wanted.since is not None:
        span = span_of(wanted.since.isoformat())
        times.append(Condition("_lastUpdated", "date", (DateValue("ge", *span),)))
    if wanted.start is not None:
        times += _cared(type_, "ge", wanted.start)
    if wanted.end is not None:
        times += _cared(type_, "le", wanted.end)
    return times


def _cared(type_: str, prefix: Prefix, day: date) -> list[Criterion]:
    """On this side of the day, or at no time that the resource says."""
    name = CARE_DATES.get(type_)
    if name is None:
        return []
    value = DateValue(prefix, *span_of(day.isoformat()))
    on_this_side = Condition(name, "date", (value,))
    return [AnyOf((on_this_side, Condition(name, "date", missing=True)))]
