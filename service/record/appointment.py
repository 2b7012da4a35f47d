"""What a clinician looks at with the family at a review, gathered out of one look at the record."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from service.fhir.json import JsonObject, read
from service.fhir.search.terms import Condition
from service.mapping.canonical import code_system
from service.mapping.errors import UnmappableError
from service.mapping.interpretable import why_not_interpretable
from service.mapping.logs import observation_to_review
from service.mapping.parties import described
from service.mapping.references import Resolve
from service.programme.adherence import History, Known, adherence
from service.programme.adherence.days import days
from service.programme.adherence.history import as_known
from service.programme.adherence.timeline import Timeline
from service.programme.appointment import Appointment, Caution, Issue
from service.programme.checks import Policy, check_programme
from service.programme.goals import progress
from service.programme.moments import earliest
from service.programme.plan import Child, Programme
from service.programme.review import TechniqueReview
from service.programme.zones import zone
from service.record.changes import Actor
from service.record.child_history import history_seen
from service.record.errors import Malformed
from service.record.problems import accepted_caution, still_open, warning_of
from service.record.programme_people import People
from service.record.record import Record
from service.record.view import View
from service.store.contract import Version

USUAL = timedelta(weeks=26) - timedelta(days=1)
"""Before the last day: half a year of whole weeks with it."""
LONGEST_DAYS = 732
"""Two years: a picture of more days says nothing at a glance."""
MOST_REVIEWS = 12
"""Of technique reviews, the newest."""

_REVIEW = (code_system("airway-assessment"), "technique-review")
_SETTLED = frozenset({"completed", "cancelled", "rejected", "failed", "entered-in-error"})
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
    patient: JsonObject = read(record.read(caller, "Patient", patient_id).body)
    known_at, now = asked.known_at, asked.now
    with record.view(caller) as view:
        history = history_seen(view, patient_id, known_at, now=now)
        first, last = asked.days(history)
        past = _Past(view, patient_id, known_at)
        issues = list(past.issues())
        reviews = [one for one in past.reviews(_resolver(view)) if _day(one.date) <= last]
    answer = adherence(history, first, last, known_at=known_at, now=now)
    plan = _in_force(history, known_at)
    return Appointment(
        child=_child(patient),
        plan=plan,
        plans={one.id: one.value for one in as_known(history.plans, known_at)},
        answer=answer,
        days=days(answer, history),
        cautions=None if plan is None else _cautions(record, caller, plan.value, policy),
        issues=sorted(issues, key=_urgency),
        reviews=sorted(reviews, key=_newest_first)[:MOST_REVIEWS],
        goals=[(goal, progress(goal, answer)) for goal in plan.value.goal] if plan else (),
        unreadable=past.unreadable,
    )


class _Past:
    """Findings and technique reviews of a child as they were known at a time."""

    def __init__(self, view: View, patient_id: str, known_at: datetime) -> None:
        self._view = view
        self._id = patient_id
        self._known_at = known_at
        self.unreadable = 0

    def issues(self) -> Iterator[Issue]:
        of_child = Condition.refers_to("patient", "Patient", self._id)
        found = self._then(self._view.search("DetectedIssue", [of_child]).versions)
        keys = [("Task", one.id) for one in found]
        current = self._view.current(keys).values()
        tasks = {one.id: read(one.body) for one in self._then(list(current))}
        for version in found:
            resource: JsonObject = read(version.body)
            if resource.get("status") not in _TAKEN_BACK:
                yield _issue(resource, tasks.get(version.id))

    def reviews(self, resolve: Resolve) -> Iterator[TechniqueReview]:
        of_child = Condition.refers_to("subject", "Patient", self._id)
        kind = Condition.has_token("code", *_REVIEW)
        for version in self._then(self._view.search("Observation", [of_child, kind]).versions):
            resource: JsonObject = read(version.body)
            if resource.get("status") in _TAKEN_BACK:
                continue
            try:
                review = observation_to_review(resource, resolve)
            except UnmappableError:
                self.unreadable += 1
                continue
            if why_not_interpretable(resource):
                self.unreadable += 1
            else:
                yield review

    def _then(self, current: Sequence[Version]) -> list[Version]:
        """Of each resource the version of that time; none where it was not there yet."""
        known_at = self._known_at
        then = {(one.type, one.id): one for one in current if one.instant <= known_at}
        later = [(one.type, one.id) for one in current if one.instant > known_at]
        for version in self._view.versions(later):
            if version.instant <= known_at:
                then[version.type, version.id] = version
        return [one for one in then.values() if not one.deleted]


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
        open=status not in _SETTLED if task else not resource.get("mitigation"),
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


def _cautions(record: Record, caller: Actor, programme: Programme, policy: Policy) -> list[Caution]:
    """As ``/programmes/{id}/cautions`` tells them, by what is known of the child now."""
    raw = programme.to_json()
    checked = check_programme(raw, policy=policy, known=People(record, caller, raw).known)
    still = [still_open(one) for one in checked.problems if one.kind == "caution"]
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


def _resolver(view: View) -> Resolve:
    def resolve(reference: str) -> JsonObject | None:
        type_, _, id_ = reference.partition("/")
        found = view.current([(type_, id_)]).get((type_, id_)) if id_ else None
        return read(found.body) if found else None

    return resolve
