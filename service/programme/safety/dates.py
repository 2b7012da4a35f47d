"""Rules on dates that the plan in force sets: its review, and parts that wear out."""

from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta

from service.programme.adherence.timeline import Plan
from service.programme.calendar import END, Calendar, Span
from service.programme.occurrences import occurrences
from service.programme.plan import Device
from service.programme.safety.case import Case
from service.programme.safety.findings import Evidence, SafetyFinding
from service.programme.schedule import Schedule

_A_DAY = timedelta(days=1)
_A_MOMENT = timedelta(seconds=1)


def review_overdue(case: Case) -> Iterable[SafetyFinding]:
    """The plan in force still waits for a review whose day has passed."""
    rule = "review-overdue"
    plan = case.timeline.plan_at(case.now)
    review = plan.programme.review if plan else None
    if plan is None or review is None:
        return ()
    if (case.today - review.due).days <= case.policy.days(rule, "days"):
        return ()
    told = f"the review was due on {review.due}"
    return case.finding(rule, [_of_plan(case, plan, review.due, told)])


def replacement_overdue(case: Case) -> Iterator[SafetyFinding]:
    """The last day by which a part was to be replaced has passed. The record does not say whether
    that was done, so every such day is told once."""
    rule = "replacement-overdue"
    plan = case.timeline.plan_at(case.now)
    if plan is None:
        return
    grace = _A_DAY * case.policy.days(rule, "days")
    for device in plan.programme.device:
        dues = [_last_due(case, plan, device, schedule, grace) for schedule in _replacing(device)]
        evidence = [
            _of_plan(case, plan, due, f"a replacement was due by {due}")
            for due in dues
            if due is not None
        ]
        yield from case.finding(rule, evidence, device.key)


def _replacing(device: Device) -> list[Schedule]:
    tasks = (care for care in device.care if care.task == "replace")
    return [care.schedule for care in tasks if care.schedule is not None]


def _last_due(
    case: Case, plan: Plan, device: Device, schedule: Schedule, grace: timedelta
) -> date | None:
    """The latest day by which it was to be replaced, of those that have passed with their grace.

    The schedule is counted from when the device was first asked for: a new version of the plan
    does not make the part any newer.
    """
    calendar = case.timeline.calendar
    first = min(one.span.start for one in case.timeline.plans if _asks(one, plan, device, schedule))
    limit = calendar.start(case.today - grace)
    if limit <= first:
        return None
    found = occurrences(schedule, calendar, Span(first, END), Span(first, limit))
    passed = [one.end for one in found if one.end <= limit]
    return _day_before(calendar, max(passed)) if passed else None


def _asks(one: Plan, plan: Plan, device: Device, schedule: Schedule) -> bool:
    """Whether a plan is a version of the same programme and asks for the same device and care."""
    if one is plan:
        return True
    same = one.programme.id is not None and one.programme.id == plan.programme.id
    return same and any(
        (other.key, other.kind) == (device.key, device.kind) and schedule in _replacing(other)
        for other in one.programme.device
    )


def _day_before(calendar: Calendar, end: datetime) -> date:
    return calendar.day_of(end - _A_MOMENT)


def _of_plan(case: Case, plan: Plan, due: date, told: str) -> Evidence:
    at = case.timeline.calendar.start(due + _A_DAY)
    return Evidence("programme", plan.known.id, plan.known.version, at, told)
