"""The child's own days: which local day an instant belongs to, and when a local day begins.

A child has a zone, may move to another, and has a day boundary (the clock time at which the
child's day begins). All instants in and out are aware; those that come out are in UTC.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import MAXYEAR, UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from typing import TypeVar

K = TypeVar("K")
T = TypeVar("T")

_MOST_KEPT = 4000
"""Days of one calendar: more than ten years."""
_A_DAY = timedelta(days=1)
_A_SECOND = timedelta(seconds=1)
BEGINNING = datetime(1, 1, 3, tzinfo=UTC)
END = datetime(9999, 12, 29, tzinfo=UTC)
"""Ends of time, far enough from Python's own to be shown in any zone."""
_FIRST_DAY, _LAST_DAY = BEGINNING.date(), END.date()


@dataclass(frozen=True, slots=True)
class Stretch:
    """From ``since`` on, this zone and this day boundary hold."""

    since: datetime
    zone: tzinfo
    boundary: time


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time; ``end`` is not included."""

    start: datetime
    end: datetime

    def holds(self, instant: datetime) -> bool:
        """Whether the instant lies in it."""
        return self.start <= instant < self.end

    def common(self, other: "Span") -> "Span":
        """What both hold; without length when they are apart."""
        start = max(self.start, other.start)
        return Span(start, max(start, min(self.end, other.end)))

    def meets(self, other: "Span") -> bool:
        """Whether they have any time in common."""
        return max(self.start, other.start) < min(self.end, other.end)

    def middle(self) -> datetime:
        """The instant half-way."""
        return self.start + (self.end - self.start) / 2


class Calendar:
    """Local days over stretches in order; the first one also holds before it begins.

    A local day on which the child moves is longer or shorter, a day with a change of daylight
    saving has 23 or 25 hours; each is one day. A day that a zone skips does not exist.
    """

    def __init__(self, stretches: Sequence[Stretch]) -> None:
        self._stretches = tuple(stretches)
        self._since = [stretch.since for stretch in self._stretches[1:]]
        self._starts: dict[tuple[int, date], datetime] = {}
        self._bounds: dict[date, tuple[datetime, datetime] | None] = {}

    def local(self, instant: datetime) -> datetime:
        """The same instant on the child's clock."""
        return instant.astimezone(self._stretches[self._index(instant)].zone)

    def day_of(self, instant: datetime) -> date:
        """The child's day that holds the instant."""
        written = instant.date()
        bounds = None if self._since else self.bounds(written)
        if bounds is not None and bounds[0] <= instant < bounds[1]:
            return written
        index = self._index(instant)
        stretch = self._stretches[index]
        clock = instant.astimezone(stretch.zone).replace(tzinfo=None)
        day = (clock - _since_midnight(stretch.boundary)).date()
        if instant < self._start(index, day):
            return day - _A_DAY
        return day + _A_DAY if instant >= self._start(index, day + _A_DAY) else day

    def bounds(self, day: date) -> tuple[datetime, datetime] | None:
        """First instant of a day and of what follows it; None for a day that never was."""
        try:
            return self._bounds[day]
        except KeyError:
            return _kept(self._bounds, day, self._find_bounds(day))

    def start(self, day: date) -> datetime:
        """When the day begins, or the next one where the day never was."""
        bounds = self.bounds(day)
        return self.start(day + _A_DAY) if bounds is None else bounds[0]

    def span(self, start: date | datetime, end: date | datetime | None) -> Span:
        """The instants from ``start`` to ``end``; days are whole, the last one included."""
        first = _in_utc(start) if isinstance(start, datetime) else self.start(start)
        if end is None or end.year == MAXYEAR:
            return Span(first, END)
        if isinstance(end, datetime):
            return Span(first, _in_utc(end))
        return Span(first, self.start(end + _A_DAY))

    def at(self, day: date, clock: time) -> datetime | None:
        """That clock time on the child's day.

        A time that the clocks skip becomes the one they show instead; of a time that comes twice
        the first is meant (the reading of RFC 5545, section 3.3.5).
        """
        bounds = self.bounds(day)
        if bounds is None:
            return None
        for index, stretch in enumerate(self._stretches):
            instant = _instant(_date_of(day, clock, stretch.boundary), clock, stretch.zone)
            if self._index(instant) == index and bounds[0] <= instant < bounds[1]:
                return instant
        # The child travelled across that time: the moment of the journey stands for it.
        journeys = [since for since in self._since if bounds[0] < since < bounds[1]]
        return journeys[0] if journeys else self._nearest(day, clock, bounds)

    def _nearest(self, day: date, clock: time, bounds: tuple[datetime, datetime]) -> datetime:
        """The end of a day cut by a journey that is nearest to a time it did not have."""
        stretch = self._stretches[self._index(bounds[0])]
        instant = _instant(_date_of(day, clock, stretch.boundary), clock, stretch.zone)
        return bounds[0] if instant < bounds[0] else bounds[1] - _A_SECOND

    def _index(self, instant: datetime) -> int:
        return bisect_right(self._since, instant)

    def _start(self, index: int, day: date) -> datetime:
        try:
            return self._starts[index, day]
        except KeyError:
            stretch = self._stretches[index]
            start = _instant(day, stretch.boundary, stretch.zone)
            return _kept(self._starts, (index, day), start)

    def _find_bounds(self, day: date) -> tuple[datetime, datetime] | None:
        pieces: list[tuple[datetime, datetime]] = []
        for index in range(len(self._stretches)):
            first = self._since[index - 1] if index else BEGINNING
            last = self._since[index] if index < len(self._since) else END
            start = max(first, self._start(index, day))
            end = min(last, self._start(index, day + _A_DAY))
            if start < end:
                pieces.append((start, end))
        return (pieces[0][0], pieces[-1][1]) if pieces else None


@lru_cache(maxsize=32)
def calendar_of(stretches: tuple[Stretch, ...]) -> Calendar:
    """The calendar of these stretches, shared by the children who have the same: what was worked
    out of a day is kept for all of them."""
    return Calendar(stretches)


def _kept(known: dict[K, T], key: K, value: T) -> T:
    if len(known) >= _MOST_KEPT:
        known.clear()
    known[key] = value
    return value


def _instant(day: date, clock: time, zone: tzinfo) -> datetime:
    if not _FIRST_DAY < day < _LAST_DAY:
        return END if day >= _LAST_DAY else BEGINNING
    return datetime.combine(day, clock, zone).astimezone(UTC)


def _in_utc(instant: datetime) -> datetime:
    if not BEGINNING.year < instant.year < END.year:
        return END if instant.year >= END.year else BEGINNING
    return instant.astimezone(UTC)


def _date_of(day: date, clock: time, boundary: time) -> date:
    """With a day that begins at 04:00, two o'clock is on the next date."""
    return day + _A_DAY if clock < boundary else day


def _since_midnight(clock: time) -> timedelta:
    return timedelta(hours=clock.hour, minutes=clock.minute, seconds=clock.second)
