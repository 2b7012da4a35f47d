"""The figure of sessions week by week."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.programme.adherence.figures import Figure, LedgerRow, Reason, sessions_figure
from service.programme.adherence.result import Adherence

_DAYS = 7


@dataclass(frozen=True, slots=True)
class Week:
    """A week from Monday to Sunday in the child's days, cut where what was asked begins or ends.

    ``figure`` is that of sessions. Of the week's days, ``due_days`` had anything due; of these,
    ``unlogged_days`` have no log at all. On ``paused_days`` all that stood was excused.
    """

    first: date
    last: date
    figure: Figure
    due_days: int
    paused_days: int
    unlogged_days: int

    @property
    def is_whole(self) -> bool:
        """Whether all seven days were asked about."""
        return (self.last - self.first).days == _DAYS - 1

    @property
    def is_silent(self) -> bool:
        """Whether something was due and no day on which it was has a log."""
        return 0 < self.due_days == self.unlogged_days


def weeks(result: Adherence) -> tuple[Week, ...]:
    """The weeks of an answer, in order and without a gap; those without anything due as well."""
    days = [row.day for row in result.ledger]
    found: list[Week] = []
    first = result.first
    while first <= result.last:
        last = min(first + timedelta(days=_DAYS - 1 - first.weekday()), result.last)
        rows = result.ledger[bisect_left(days, first) : bisect_right(days, last)]
        found.append(_week(first, last, rows, _why_no_rows(result, first, last)))
        first = last + timedelta(days=1)
    return tuple(found)


def _week(first: date, last: date, rows: Sequence[LedgerRow], no_rows: Reason) -> Week:
    due = {row.day: row.logged for row in rows if not row.paused}
    excused = {row.day for row in rows} - due.keys()
    return Week(
        first=first,
        last=last,
        figure=sessions_figure(rows, no_rows),
        due_days=len(due),
        paused_days=len(excused),
        unlogged_days=sum(not logged for logged in due.values()),
    )


def _why_no_rows(result: Adherence, first: date, last: date) -> Reason:
    planned = any(plan.first <= last and plan.last >= first for plan in result.plans)
    return "no-schedule" if planned else "no-plan"
