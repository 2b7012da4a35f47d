"""Occurrences against ``dateutil.rrule`` (RFC 5545), for rules that both can express."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any

from dateutil.rrule import DAILY, MONTHLY, WEEKLY, YEARLY, rrule, rruleset, weekday
from hypothesis import given
from hypothesis import strategies as st

from service.programme.calendar import BEGINNING, END, Calendar, Span, Stretch
from service.programme.occurrences import Occurrence, occurrences
from service.programme.schedule import Schedule

_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_FREQUENCIES = {"d": DAILY, "wk": WEEKLY, "mo": MONTHLY, "a": YEARLY}
_CALENDAR = Calendar([Stretch(BEGINNING, UTC, time(0, 0))])

anchors = st.dates(date(2024, 1, 1), date(2033, 12, 31))
clock_times = st.lists(
    st.integers(0, 95).map(lambda quarter: time(quarter // 4, quarter % 4 * 15)),
    min_size=1,
    max_size=3,
    unique=True,
)


def _ours(schedule: dict[str, Any], anchor: date, days: int) -> list[Occurrence]:
    asked = _CALENDAR.span(anchor, anchor + timedelta(days=days))
    model = Schedule.model_validate(schedule)
    return sorted(
        occurrences(model, _CALENDAR, Span(asked.start, END), asked), key=lambda one: one.at
    )


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(0, 0))


@given(
    anchor=anchors,
    clocks=clock_times,
    step=st.sampled_from([1, 2, 3, 4, 5, 6, 8, 9]),
    weekdays=st.sets(st.integers(0, 6)),
    times=st.none() | st.integers(1, 30),
)
def test_days_at_clock_times(
    anchor: date, clocks: list[time], step: int, weekdays: set[int], times: int | None
) -> None:
    """Steps of seven days are left to the weeks below: on weekdays they mean a week here."""
    schedule: dict[str, Any] = {
        "period": step,
        "periodUnit": "d",
        "timeOfDay": clocks,
        "dayOfWeek": [_NAMES[day] for day in sorted(weekdays)],
    }
    if times is not None:
        schedule["count"] = times
    expected = rruleset()
    for clock in clocks:
        begin = datetime.combine(anchor, clock)
        chosen = [weekday(day) for day in sorted(weekdays)] or None
        expected.rrule(rrule(DAILY, dtstart=begin, interval=step, byweekday=chosen))
    until = _midnight(anchor + timedelta(days=200))
    wanted = [one for one in expected.between(_midnight(anchor), until, inc=True) if one < until]
    found = _ours(schedule, anchor, 199)
    assert [one.at.replace(tzinfo=None) for one in found] == wanted[:times]
    assert all(one.by_day for one in found)


@given(anchor=anchors, step=st.integers(1, 5), weekdays=st.sets(st.integers(0, 6), min_size=1))
def test_weeks_on_weekdays(anchor: date, step: int, weekdays: set[int]) -> None:
    """Weeks are counted from the anchor, so the rule's week begins on the anchor's weekday."""
    schedule = {
        "frequency": len(weekdays),
        "period": step,
        "periodUnit": "wk",
        "dayOfWeek": [_NAMES[day] for day in weekdays],
    }
    rule = rrule(
        WEEKLY,
        dtstart=_midnight(anchor),
        interval=step,
        wkst=anchor.weekday(),
        byweekday=[weekday(day) for day in sorted(weekdays)],
        until=_midnight(anchor + timedelta(days=180)),
    )
    assert [one.day for one in _ours(schedule, anchor, 180)] == [one.date() for one in rule]


@given(anchor=anchors, step=st.integers(1, 6), unit=st.sampled_from(["d", "wk", "mo", "a"]))
def test_windows_begin_where_the_rule_recurs(anchor: date, step: int, unit: str) -> None:
    """Months and years from a day that every month has; R4 clips the others and RFC 5545 skips."""
    anchor = anchor.replace(day=min(anchor.day, 28))
    schedule = {"frequency": 1, "period": step, "periodUnit": unit}
    rule = rrule(
        _FREQUENCIES[unit],
        dtstart=_midnight(anchor),
        interval=step,
        until=_midnight(anchor + timedelta(days=1100)),
    )
    found = _ours(schedule, anchor, 1100)
    assert [one.start.date() for one in found] == [one.date() for one in rule]
    assert all(one.start <= one.at < one.end for one in found)


@given(anchor=anchors, often=st.integers(1, 6))
def test_so_many_a_day(anchor: date, often: int) -> None:
    """Twice a day and the like: as many on each day as an hourly rule has, at equal distances."""
    schedule = {"frequency": often, "period": 1, "periodUnit": "d"}
    found = _ours(schedule, anchor, 20)
    assert len(found) == often * 21
    apart = {later.at - earlier.at for earlier, later in pairwise(found)}
    assert apart == {timedelta(days=1) / often}
