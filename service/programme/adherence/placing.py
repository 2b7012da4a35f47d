"""Sessions in the order of time, each on its day of the child's."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Generic, TypeVar

from service.programme.adherence.history import Known, Logged
from service.programme.calendar import Calendar

S = TypeVar("S", bound=Logged)

_A_MOMENT = timedelta(seconds=1)


@dataclass(slots=True)
class Placed(Generic[S]):
    """A session with its start in UTC and the child's day of that."""

    known: Known[S]
    start: datetime
    day: date


def placed(sessions: Iterable[Known[S]], calendar: Calendar) -> list[Placed[S]]:
    """By start, and by id where that is the same."""
    rows = []
    for one in sessions:
        start = one.value.start.astimezone(UTC)
        rows.append(Placed(one, start, calendar.day_of(start)))
    rows.sort(key=lambda row: (row.start, row.known.id))
    return rows


def end_of(session: Logged) -> datetime:
    """The stated end, else the start and the minutes, else a moment after the start."""
    end = session.end
    if end is None and session.minutes is not None:
        end = session.start + timedelta(minutes=float(session.minutes))
    return max(end or session.start, session.start + _A_MOMENT).astimezone(UTC)
