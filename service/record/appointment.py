"""What a clinician looks at with the family at a review, gathered out of one look at the record."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from service.fhir.codings import codings
from service.fhir.json import JsonObject, read_back
from service.fhir.search.terms import Condition
from service.mapping.canonical import code_system
from service.mapping.errors import UnmappableError
from service.mapping.findings import SETTLED
from service.mapping.interpretable import may_bend, why_not_interpretable
from service.mapping.logs import observation_to_review
from service.mapping.parties import described
from service.mapping.references import Resolve
from service.programme.adherence import History, Known, adherence
from service.programme.adherence.days import days
from service.programme.adherence.history import as_known
from service.programme.adherence.timeline import Timeline
from service.programme.appointment import Appointment, Caution, Issue
from service.programme.checks import KnownChild, Policy, check_cautions
from service.programme.goals import progress
from service.programme.moments import earliest
from service.programme.plan import Child, Programme
from service.programme.review import TechniqueReview
from service.programme.zones import zone
from service.record.changes import Actor
from service.record.child_history import history_and_rest
from service.record.errors import Malformed
from service.record.past import Kept, Past
from service.record.problems import accepted_caution, still_open, warning_of
from service.record.programme_people import known_child
from service.record.record import Record
from service.record.view import View

USUAL = timedelta(weeks=26) - timedelta(days=1)
"""Before the last day: half a year of whole weeks with it."""
LONGEST_DAYS = 732
"""Two years: a picture of more days says nothing at a glance."""
MOST_REVIEWS = 12
"""Of technique reviews, the newest."""

_REVIEW = (code_system("airway-assessment"), "technique-review")
_SEVERITIES = ("high", "moderate", "low")
_TAKEN_BACK = frozenset({"entered-in-error", "cancelled"})


@dataclass(frozen=True, slots=True)
class Asked:
    """From ``first`` to ``last``, both included, as known at ``known_at``; asked at ``now``.

    Left out are the child's day at ``known_at``, and half a year up to the last day.
    """

    first: date | None
    last: date | None
    known_at: datetime
    now: datetime

    def days(self, history: History) -> tuple[date, date]:
        """The first and the last day. Raises Malformed for a wrong order and for too many."""
        calendar = Timeline(history, self.known_at, zone).calendar
        last = self.last or calendar.day_of(self.known_at)
        try:
            first = self.first or last - USUAL
        except OverflowError:
            first = last
        if last < first:
            raise Malformed.at("end", "The last day comes before the first.")
        if (last - first).days >= LONGEST_DAYS:
            raise Malformed.at("end", f"At most {LONGEST_DAYS} days can be looked at at once.")
        return first, last


def appointment(
    record: Record, caller: Actor, patient_id: str, asked: Asked, policy: Policy
) -> Appointment:
    """Everything for one child's review. Raises NotFound, Gone, Malformed."""
    patient: JsonObject = read_back(record.read(caller, "Patient", patient_id).body)
    known_at, now = asked.known_at, asked.now
    with record.view(caller) as view:
        past = Past(view, f"Patient/{patient_id}", known_at, now)
        history, observations = history_and_rest(past)
        first, last = asked.days(history)
        issues = list(_issues(past))
        reviews = list(_reviews(observations, past.others))
        plan = _in_force(history, known_at)
        known = _known(view, patient, plan.value) if plan else None
    answer = adherence(history, first, last, known_at=known_at, now=now)
    readable = [one for one in reviews if one is not None and _day(one.date) <= last]
    return Appointment(
        child=_child(patient),
        plan=plan,
        plans={one.id: one.value for one in as_known(history.plans, known_at)},
        answer=answer,
        days=days(answer, history),
        cautions=_cautions(plan.value, known, policy) if plan and known else None,
        issues=sorted(issues, key=_urgency),
        reviews=sorted(readable, key=_newest_first)[:MOST_REVIEWS],
        goals=[(goal, progress(goal, answer)) for goal in plan.value.goal] if plan else (),
        unreadable=reviews.count(None),
    )


def _issues(past: Past) -> Iterator[Issue]:
    found = past.own("DetectedIssue", "patient")
    tasks = {
        one.id: read_back(one.body) for one in past.of({("Task", v.id): None for v, _ in found})
    }
    for version, resource in found:
        if resource.get("status") not in _TAKEN_BACK:
            yield _issue(resource, tasks.get(version.id))


def _reviews(observations: Iterable[Kept], resolve: Resolve) -> Iterator[TechniqueReview | None]:
    """None for one that cannot be read."""
    for version, resource in observations:
        if _REVIEW not in codings([resource.get("code", {})]):
            continue
        if resource.get("status") in _TAKEN_BACK:
            continue
        if may_bend(version.body) and why_not_interpretable(resource):
            yield None
            continue
        try:
            yield observation_to_review(resource, resolve)
        except UnmappableError:
            yield None


def _issue(resource: JsonObject, task: JsonObject | None) -> Issue:
    code = resource.get("code", {})
    codings = [one.get("display") for one in code.get("coding", [])]
    status = None if task is None else task.get("status")
    answers = [one.get("action", {}).get("text") for one in resource.get("mitigation", [])]
    severity = resource.get("severity")
    return Issue(
        title=next((one for one in (code.get("text"), *codings) if one), "?"),
        detail=resource.get("detail", ""),
        severity=severity if severity in _SEVERITIES else None,
        since=_moment(resource),
        times=len(resource.get("evidence", [])),
        task=status,
        answers=[one for one in answers if one],
        open=status not in SETTLED if task else not resource.get("mitigation"),
    )


def _moment(resource: JsonObject) -> date | datetime | None:
    text = resource.get("identifiedDateTime") or resource.get("identifiedPeriod", {}).get("start")
    if not text:
        return None
    return datetime.fromisoformat(text) if "T" in text else earliest(text)


def _urgency(issue: Issue) -> tuple[bool, int, str]:
    """Open ones first, the gravest first."""
    grave = _SEVERITIES.index(issue.severity) if issue.severity else len(_SEVERITIES)
    return not issue.open, grave, issue.title


def _newest_first(review: TechniqueReview) -> tuple[int, str]:
    return -_day(review.date).toordinal(), review.technique


def _day(moment: date | datetime) -> date:
    return moment.date() if isinstance(moment, datetime) else moment


def _in_force(history: History, instant: datetime) -> Known[Programme] | None:
    plan = Timeline(history, instant, zone).plan_at(instant)
    return plan.known if plan and plan.programme.status != "revoked" else None


def _known(view: View, patient: JsonObject, programme: Programme) -> KnownChild:
    """What the record holds now of the child that matters to cautions."""

    def of_child(type_: str) -> list[JsonObject]:
        condition = Condition.refers_to("subject", "Patient", patient["id"])
        return [read_back(one.body) for one in view.search(type_, [condition]).versions]

    screen = programme.screen.reference if programme.screen else None
    conditions, responses = of_child("Condition"), of_child("QuestionnaireResponse")
    return known_child(patient, conditions, responses, screen)


def _cautions(programme: Programme, known: KnownChild, policy: Policy) -> list[Caution]:
    """As ``/programmes/{id}/cautions`` tells them, by what is known of the child now."""
    checked = check_cautions(programme, policy=policy, known=known)
    still = map(still_open, checked.problems)
    told = [
        *(Caution(one.diagnostics, open=True) for one in still),
        *(Caution(warning_of(one).diagnostics, open=True) for one in checked.warnings),
        *(Caution(accepted_caution(one).diagnostics, open=False) for one in checked.accepted),
    ]
    return list(dict.fromkeys(told))  # the same of several regimens once


def _child(patient: JsonObject) -> Child:
    """Who the child is, as the Patient says it; what cannot be read of it is left out."""
    reference = f"Patient/{patient['id']}"
    try:
        found: dict[str, Any] = described("child", reference, {reference: patient}.get)
    except UnmappableError:
        return Child()
    return Child.model_validate(found)
