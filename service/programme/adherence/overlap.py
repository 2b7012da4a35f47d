"""Sessions of one technique that overlap in time: the same session told twice."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from itertools import pairwise

from service.programme.adherence.history import Known, Logged
from service.programme.adherence.placing import end_of

Timed = tuple[datetime, datetime, Known[Logged]]
"""Start and end in UTC, and the session."""
Weight = tuple[int, int]
"""How many sessions, and how many of them a device recorded."""


def told_twice(sessions: Iterable[Known[Logged]]) -> set[str]:
    """Ids of the sessions that are not credited because another one is.

    Credited are as many sessions of a technique as can stand side by side without overlapping;
    of equally many, those with more device records. Of a diary and a device row for one session
    that is the device row.
    """
    by_technique: defaultdict[str, list[Timed]] = defaultdict(list)
    for session in sessions:
        value = session.value
        timed = (value.start.astimezone(UTC), end_of(value), session)
        by_technique[value.technique].append(timed)
    repeated: set[str] = set()
    for rows in by_technique.values():
        if _overlap(rows):
            repeated |= {row.id for _, _, row in rows} - _side_by_side(rows)
    return repeated


def _overlap(rows: list[Timed]) -> bool:
    rows.sort(key=lambda row: row[0])
    return any(end > start for (_, end, _), (start, _, _) in pairwise(rows))


def _side_by_side(rows: Sequence[Timed]) -> set[str]:
    """Weighted interval scheduling, by the ends of the sessions."""
    ordered = sorted(rows, key=lambda row: (row[1], row[0], row[2].id))
    ends = [end for _, end, _ in ordered]
    best: list[Weight] = [(0, 0)]
    before: list[int] = []
    for index, (start, _, row) in enumerate(ordered):
        free = bisect_right(ends, start, hi=index)
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
            chosen.add(ordered[index - 1][2].id)
            index = free
    return chosen
