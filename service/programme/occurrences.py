"""From a schedule to its occurrences.

Each occurrence is computed from the anchor (where the schedule begins), never from the one
before, so monthly steps neither drift nor skip short months. Days are the child's own. A
schedule that says no how-often has no occurrences: that is no denominator, not a zero.

The window is the time within which the occurrence can be done. For rules by day (so many a day,
weekdays, clock times, events of the day) it is the local day; for others (so many a week or
month) it is the schedule's own period, counted from the anchor.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime, time, timedelta
from itertools import islice

from service.programme.calendar import END, Calendar, Span
from service.programme.expansion import (
    Clock,
    Occurrence,
    add_months,
    by_day,
    by_period,
    day_rule,
    middles,
)
from service.programme.rates import rate_of
from service.programme.routine import DAILY_ROUTINE, minutes_from
from service.programme.schedule import Length, Schedule

__all__ = ["Occurrence", "occurrences"]

_A_DAY = timedelta(days=1)
_WEEK = 7


def occurrences(
    schedule: Schedule,
    calendar: Calendar,
    plan: Span,
    asked: Span,
    routine: Mapping[str, tuple[time, ...]] = DAILY_ROUTINE,
) -> Iterator[Occurrence]:
    """The occurrences within the plan whose windows touch what is asked.

    The anchor is the start of the schedule's own bounds, or else of the plan. Instants are in
    UTC. ``asked`` has to end; ``plan`` need not.
    """
    bounds = _bounds(schedule, calendar, plan)
    limits = bounds.common(plan)
    if schedule.count is None:
        found = _repeated(schedule, calendar, bounds, asked, routine)
    else:
        whole = Span(bounds.start, min(asked.end, bounds.end))
        every = _repeated(schedule, calendar, bounds, whole, routine)
        found = islice(every, schedule.count)
    for occurrence in (*found, *_listed(schedule, calendar)):
        touched = occurrence.start < asked.end and occurrence.end > asked.start
        if touched and limits.holds(occurrence.at):
            yield occurrence


def _repeated(
    schedule: Schedule,
    calendar: Calendar,
    bounds: Span,
    asked: Span,
    routine: Mapping[str, tuple[time, ...]],
) -> Iterator[Occurrence]:
    anchor = calendar.day_of(bounds.start)
    clocks = _clocks(schedule, routine)
    rate = rate_of(schedule)
    rule = day_rule(schedule, rate, clocks)
    if rule is not None:
        found = by_day(rule, calendar, anchor, asked, clocks)
        yield from (one for one in found if bounds.holds(one.at))
    elif rate is not None:
        yield from by_period(rate, calendar, anchor, asked, bounds)
    elif schedule.count is not None and not schedule.event:
        yield from _at_any_time(schedule.count, schedule.count_max, calendar, bounds)


def _at_any_time(
    times: int, most: int | None, calendar: Calendar, bounds: Span
) -> Iterator[Occurrence]:
    """A number of times and no rhythm: any time within the bounds; placed on the first day if
    those are open."""
    day = calendar.day_of(bounds.start)
    placed = bounds if bounds.end < END else Span(bounds.start, calendar.start(day + _A_DAY))
    for at in middles(placed, times):
        yield Occurrence(bounds.start, bounds.end, at, calendar.day_of(at), False, most)


def _listed(schedule: Schedule, calendar: Calendar) -> Iterator[Occurrence]:
    for event in schedule.event:
        day = calendar.day_of(event)
        window = calendar.span(day, day)
        yield Occurrence(window.start, window.end, event, day, by_day=True)


def _clocks(schedule: Schedule, routine: Mapping[str, tuple[time, ...]]) -> list[Clock]:
    by_clock = [(clock, 0) for clock in schedule.time_of_day]
    by_event = [
        (clock, minutes_from(event, schedule.offset or 0))
        for event in schedule.when
        for clock in routine[event]
    ]
    return sorted(by_clock + by_event)


def _bounds(schedule: Schedule, calendar: Calendar, plan: Span) -> Span:
    if schedule.bounds is not None:
        return calendar.span(schedule.bounds.start or plan.start, schedule.bounds.end)
    length = _length(schedule)
    return Span(plan.start, END if length is None else _after(plan.start, length, calendar))


def _length(schedule: Schedule) -> Length | None:
    if schedule.bounds_range is not None:
        return schedule.bounds_range.low or schedule.bounds_range.high
    return schedule.bounds_duration


def _after(start: datetime, length: Length, calendar: Calendar) -> datetime:
    """Days, weeks, months and years are counted on the calendar, shorter units on the clock."""
    first = calendar.day_of(start)
    if length.unit in ("mo", "a"):
        months = int(length.value) * (12 if length.unit == "a" else 1)
        return calendar.start(add_months(first, months))
    if length.unit in ("d", "wk"):
        days = int(length.value * (_WEEK if length.unit == "wk" else 1))
        return calendar.start(first + timedelta(days=days))
    unit = {"h": "hours", "min": "minutes", "s": "seconds"}[length.unit]
    return start + timedelta(**{unit: float(length.value)})
