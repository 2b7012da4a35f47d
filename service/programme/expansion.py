"""The two kinds of rule by which a schedule repeats: by day, and by period."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from itertools import count
from math import ceil
from typing import Literal, NamedTuple

from service.programme.calendar import Calendar, Span
from service.programme.rates import Rate
from service.programme.schedule import DayOfWeek, Schedule

_WEEKDAYS: tuple[DayOfWeek, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_A_DAY = timedelta(days=1)
_A_SECOND = timedelta(seconds=1)
_WEEK = 7

Clock = tuple[time, int]
"""A clock time and minutes from it."""


class Occurrence(NamedTuple):
    """One time that something is to be done.

    ``start`` and ``end`` (not included) are its window, ``at`` the instant at which it stands,
    ``day`` the local day of that instant, ``by_day`` whether the window is that day. ``most`` is
    how often it may be done in the window where the schedule gives a range.
    """

    start: datetime
    end: datetime
    at: datetime
    day: date
    by_day: bool
    most: int | None = None


@dataclass(frozen=True, slots=True)
class DayRule:
    """``often`` times on every ``step``-th day, week or month, on the weekdays if there are any.

    By weeks, ``often`` has one entry for each weekday; else it has one.
    """

    step: int
    unit: Literal["day", "week", "month"]
    often: tuple[int, ...]
    weekdays: tuple[int, ...] = ()
    most: int | None = None

    def days(self, anchor: date, first: date) -> Iterator[tuple[date, int]]:
        """Days from ``first`` on, never before the anchor, and how often on each; endless."""
        if self.unit == "week":
            yield from self._by_week(anchor, max(anchor, first))
            return
        for k in count(self._steps_before(anchor, first)):
            day = self._step(anchor, k)
            if day >= first and (not self.weekdays or day.weekday() in self.weekdays):
                yield day, self.often[0]

    def _step(self, anchor: date, k: int) -> date:
        if self.unit == "month":
            return add_months(anchor, k * self.step)
        return anchor + timedelta(days=k * self.step)

    def _steps_before(self, anchor: date, first: date) -> int:
        days = max(0, (first - anchor).days)
        longest = self.step * (31 if self.unit == "month" else 1)
        return days // longest

    def _by_week(self, anchor: date, first: date) -> Iterator[tuple[date, int]]:
        share = dict(zip(self.weekdays, self.often, strict=True))
        for k in count((first - anchor).days):
            day = anchor + timedelta(days=k)
            if k // _WEEK % self.step == 0 and day.weekday() in share:
                yield day, share[day.weekday()]


def day_rule(schedule: Schedule, rate: Rate | None, clocks: Sequence[Clock]) -> DayRule | None:
    """The rule by days that a schedule states, or None where it does not speak of days."""
    weekdays = tuple(sorted({_WEEKDAYS.index(day) for day in schedule.day_of_week}))
    each = schedule.frequency or max(1, len(clocks))
    if rate is None:
        if weekdays or clocks:
            return DayRule(1, "day", (each,), weekdays, schedule.frequency_max)
        return None
    if weekdays and rate.unit == "day" and rate.length % _WEEK == 0:
        # Also for "every 7 days": counted from a Tuesday it would never reach a Monday.
        return _weekly(rate, weekdays, len(clocks))
    if rate.daily or (rate.unit == "day" and weekdays):
        often = each if schedule.frequency is None else rate.times
        return DayRule(rate.length, "day", (often,), weekdays, rate.most)
    if clocks and not weekdays and rate.times <= len(clocks):
        often = each if schedule.frequency is None else rate.times
        return DayRule(rate.length, rate.unit, (often,), (), rate.most)
    return None


def _weekly(rate: Rate, weekdays: tuple[int, ...], clocks: int) -> DayRule:
    """So many times a week on named weekdays: shared out among them, each at least once."""
    days = len(weekdays)
    shares = [rate.times // days + (i < rate.times % days) for i in range(days)]
    often = tuple(clocks or max(1, share) for share in shares)
    most = None if rate.most is None else ceil(rate.most / days)
    return DayRule(rate.length // _WEEK, "week", often, weekdays, most)


def by_day(
    rule: DayRule, calendar: Calendar, anchor: date, asked: Span, clocks: Sequence[Clock]
) -> Iterator[Occurrence]:
    """The occurrences of a rule by days from the first day asked to the last."""
    first = max(anchor, calendar.day_of(asked.start))
    chosen = {often: _chosen(clocks, often) for often in rule.often} if clocks else {}
    for day, often in rule.days(anchor, first):
        if calendar.start(day) >= asked.end:
            return
        window = calendar.bounds(day)
        if window is None:
            continue
        for at in _places(day, often, window, calendar, chosen):
            yield Occurrence(*window, at, day, True, rule.most)


def _places(
    day: date,
    often: int,
    window: tuple[datetime, datetime],
    calendar: Calendar,
    chosen: Mapping[int, Sequence[Clock]],
) -> Iterator[datetime]:
    """Clock times where they are stated, else the middles of equal parts of the day."""
    start, end = window
    if not chosen:
        yield from middles(Span(start, end), often)
        return
    for clock, minutes in chosen[often]:
        at = calendar.at(day, clock)
        if at is not None:
            moved = at + timedelta(minutes=minutes) if minutes else at
            yield min(max(moved, start), end - _A_SECOND)


def middles(window: Span, parts: int) -> Iterator[datetime]:
    """The middle of each of so many equal parts of a window."""
    start = window.start
    for offset in _middles_of(window.end - start, parts):
        yield start + offset


@lru_cache(maxsize=256)
def _middles_of(length: timedelta, parts: int) -> tuple[timedelta, ...]:
    part = length / parts
    return tuple(part * k + part / 2 for k in range(parts))


def _chosen(clocks: Sequence[Clock], often: int) -> list[Clock]:
    """So many of the clock times, spread; more than there are go round again."""
    known = len(clocks)
    if often >= known:
        return sorted(clocks[k % known] for k in range(often))
    if often == 1:
        return [clocks[0]]
    return [clocks[round(k * (known - 1) / (often - 1))] for k in range(often)]


def by_period(
    rate: Rate, calendar: Calendar, anchor: date, asked: Span, bounds: Span
) -> Iterator[Occurrence]:
    """The occurrences of a rate whose window is its own period, counted from the anchor.

    The bounds cut the last window. A single occurrence belongs to all of its window and stands in
    the middle of what is left; of several, each stands in the middle of its part of the period.
    """
    for k in count(_periods_before(rate, anchor, calendar.day_of(asked.start))):
        period = Span(
            calendar.start(_period_start(rate, anchor, k)),
            calendar.start(_period_start(rate, anchor, k + 1)),
        )
        if period.start >= min(asked.end, bounds.end):
            return
        window = period.common(bounds)
        for at in middles(window if rate.times == 1 else period, rate.times):
            yield Occurrence(window.start, window.end, at, calendar.day_of(at), False, rate.most)


def _period_start(rate: Rate, anchor: date, k: int) -> date:
    if rate.unit == "month":
        return add_months(anchor, k * rate.length)
    return anchor + timedelta(days=k * rate.length)


def _periods_before(rate: Rate, anchor: date, first: date) -> int:
    days = max(0, (first - anchor).days)
    return max(0, days // (rate.length * (31 if rate.unit == "month" else 1)) - 1)


def add_months(day: date, months: int) -> date:
    """So many months later; a day that the month does not have becomes its last."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    following = date(year + (month == 11), (month + 1) % 12 + 1, 1)
    last = following - _A_DAY
    return last.replace(day=min(day.day, last.day))
