"""Sessions of one technique that overlap in time: the same session told twice."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from service.programme.adherence.history import Known
from service.programme.log import Session

_A_MOMENT = timedelta(seconds=1)

Weight = tuple[int, int]
"""How many sessions, and how many of them a device recorded."""


def told_twice(sessions: Sequence[Known[Session]]) -> set[str]:
    """Ids of the sessions that are not credited because another one is.

    Credited are as many sessions of a technique as can stand side by side without overlapping;
    of equally many, those with more device records. Of a diary and a device row for one session
    that is the device row.
    """
    by_technique: defaultdict[str, list[Known[Session]]] = defaultdict(list)
    for session in sessions:
        by_technique[session.value.technique].append(session)
    repeated: set[str] = set()
    for rows in by_technique.values():
        repeated |= {row.id for row in rows} - _side_by_side(rows)
    return repeated


def end_of(session: Session) -> datetime:
    """The stated end, else the start and the minutes, else a moment after the start."""
    end = session.end
    if end is None and session.minutes is not None:
        end = session.start + timedelta(minutes=float(session.minutes))
    return max(end or session.start, session.start + _A_MOMENT).astimezone(UTC)


def _side_by_side(rows: list[Known[Session]]) -> set[str]:
    """Weighted interval scheduling, by the ends of the sessions."""
    ordered = sorted(rows, key=lambda row: (end_of(row.value), row.value.start, row.id))
    ends = [end_of(row.value) for row in ordered]
    best: list[Weight] = [(0, 0)]
    before: list[int] = []
    for index, row in enumerate(ordered):
        free = bisect_right(ends, row.value.start, hi=index)
        count, devices = best[free]
        taken = (count + 1, devices + (row.value.recorded_by == "device"))
        before.append(free if taken > best[index] else -1)
        best.append(max(taken, best[index]))
    chosen: set[str] = set()
    index = len(ordered)
    while index > 0:
        free = before[index - 1]
        if free < 0:
            index -= 1
        else:
            chosen.add(ordered[index - 1].id)
            index = free
    return chosen
