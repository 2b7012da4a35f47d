"""Which regimens fall on a day: for a page that is read on that day."""

from collections.abc import Mapping
from datetime import date

from service.programme.adherence.timeline import Plan
from service.programme.calendar import Calendar
from service.programme.occurrences import occurrences
from service.programme.routine import routine_of


def falls_on(plan: Plan, calendar: Calendar, day: date) -> Mapping[str, bool]:
    """By the key of each regimen, whether it is for that day.

    Left out: what may be done on any of several days (so many times a week), and what has no
    schedule. Nothing is said of the child's state of health.
    """
    asked = calendar.span(day, day)
    routine = routine_of(plan.programme.routine)
    found: dict[str, bool] = {}
    for regimen in plan.programme.regimen:
        if regimen.schedule is None or regimen.as_needed:
            continue
        near = list(occurrences(regimen.schedule, calendar, plan.span, asked, routine))
        if all(one.by_day for one in near):
            found[regimen.key] = any(one.day == day for one in near)
    return found
