"""An answer day by day: what was due, what was done, and how the child was."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from service.programme.adherence.figures import LedgerRow, State
from service.programme.adherence.history import History
from service.programme.adherence.matching import DONE
from service.programme.adherence.result import Adherence
from service.programme.adherence.silence import days_between
from service.programme.adherence.timeline import Timeline
from service.programme.calendar import Span
from service.programme.zones import ZoneLookup, zone

DayKind = Literal["done", "part", "open", "unlogged", "paused", "not-due", "no-plan"]


@dataclass(frozen=True, slots=True)
class Day:
    """One of the child's days.

    ``due`` occurrences stand on it, ``done`` of them were fulfilled (those of a week perhaps by a
    session of another day). ``sessions`` were done on it, whether or not they were due, ``rows``
    came from home for it. On an "open" day something was due, a row came, and nothing due was
    fulfilled; of an "unlogged" one nothing is known, which is not refusal. ``state`` is that of
    what was due; where nothing was, that at mid-day.
    """

    day: date
    kind: DayKind
    state: State
    due: int
    done: int
    sessions: int
    rows: int


def days(result: Adherence, history: History, zones: ZoneLookup = zone) -> tuple[Day, ...]:
    """Every day of an answer, in order. ``history`` is the one that the answer was made of."""
    timeline = Timeline(history, result.known_at, zones)
    ledger: defaultdict[date, list[LedgerRow]] = defaultdict(list)
    for row in result.ledger:
        ledger[row.day].append(row)
    rows: defaultdict[date, list[bool]] = defaultdict(list)
    for received in result.received:
        if received.is_log:
            rows[received.day].append(received.ending in DONE)
    return tuple(
        _day(timeline, day, ledger.get(day, ()), rows.get(day, ()))
        for day in days_between(result.first, result.last)
    )


def _day(timeline: Timeline, day: date, ledger: Sequence[LedgerRow], rows: Sequence[bool]) -> Day:
    due = [row for row in ledger if not row.paused]
    done = sum(row.credit is not None for row in due)
    if due:
        unwell = any(row.state == "unwell" for row in due)
        kind = _kind_of_due(len(due), done, bool(rows))
    else:
        unwell, kind = _at_mid_day(timeline, day)
    if ledger and kind == "not-due":
        kind = "paused"
    return Day(
        day=day,
        kind=kind,
        state="unwell" if unwell else "well",
        due=len(due),
        done=done,
        sessions=sum(rows),
        rows=len(rows),
    )


def _kind_of_due(due: int, done: int, logged: bool) -> DayKind:
    if done == due:
        return "done"
    if done:
        return "part"
    return "open" if logged else "unlogged"


def _at_mid_day(timeline: Timeline, day: date) -> tuple[bool, DayKind]:
    """Whether the child is unwell, and what a day is on which nothing is due."""
    bounds = timeline.calendar.bounds(day)
    if bounds is None:
        return False, "no-plan"
    middle = Span(*bounds).middle()
    plan = timeline.plan_at(middle)
    if plan is None:
        return timeline.is_unwell(middle), "no-plan"
    paused = timeline.is_paused(middle, plan)
    return timeline.is_unwell(middle), "paused" if paused else "not-due"
