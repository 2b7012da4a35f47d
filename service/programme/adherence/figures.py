"""The five figures, each a sum over the ledger."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from fractions import Fraction
from typing import Literal, get_args

from service.programme.adherence.history import Known
from service.programme.dose import DoseBasis
from service.programme.intervals import wilson
from service.programme.log import RecordedBy, Session

FigureName = Literal["sessions", "days", "any", "logged", "dose"]
FIGURES: tuple[FigureName, ...] = get_args(FigureName)
Reason = Literal[
    "no-plan", "no-schedule", "all-paused", "no-daily-regimen", "nothing-logged", "no-dose-basis"
]
State = Literal["well", "unwell"]
SplitBy = Literal["source", "technique", "state"]
Figures = Mapping[FigureName, "Figure"]


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One occurrence: when it stood, what was asked, by which plan, and what became of it.

    ``credit`` is the session that fulfilled it. ``share`` is how much of the prescribed dose was
    done, from 0 to 1; None where the dose has no basis or nothing was due. ``logged`` says whether
    the day has any log. ``most`` is the upper end where the schedule gives a range. Instants are
    on the child's clock.
    """

    day: date
    at: datetime
    window_start: datetime
    window_end: datetime
    by_day: bool
    most: int | None
    regimen: str
    technique: str
    plan_id: str
    plan_version: int
    basis: DoseBasis
    state: State
    paused: bool
    credit: Known[Session] | None
    share: Fraction | None
    logged: bool

    @property
    def status(self) -> Literal["paused", "done", "open"]:
        """What became of it in one word; open is not "not done": nobody may have logged."""
        if self.paused:
            return "paused"
        return "open" if self.credit is None else "done"


@dataclass(frozen=True, slots=True)
class Figure:
    """A share with its counts. ``paused`` is what a pause took out of the denominator.

    ``low`` and ``high`` are the 95% Wilson interval of a count; an average has none. The sessions
    of one child are not independent, so the interval is only a rough guide. Without a denominator
    there is no score, and ``reason`` says why.
    """

    numerator: Fraction
    denominator: int
    paused: int
    score: float | None
    low: float | None = None
    high: float | None = None
    reason: Reason | None = None


def figures(rows: Sequence[LedgerRow], no_rows: Reason) -> dict[FigureName, Figure]:
    """The figures of some rows; ``no_rows`` is the reason to give where there is none."""
    due = [row for row in rows if not row.paused]
    logged = [row for row in rows if row.logged]
    dosed = [row for row in rows if row.share is not None]
    nothing: Reason = no_rows if not rows else "all-paused"
    days, paused_days = _days(rows)
    no_days: Reason = "no-daily-regimen" if due else nothing
    return {
        "sessions": sessions_figure(rows, no_rows),
        "days": _count((all(map(_is_done, day)) for day in days), paused_days, no_days),
        "any": _count((any(map(_is_done, day)) for day in days), paused_days, no_days),
        "logged": _count(
            (_is_done(row) for row in logged if not row.paused),
            sum(row.paused for row in logged),
            "nothing-logged" if due else nothing,
        ),
        "dose": _mean(
            [row.share for row in dosed if row.share is not None and not row.paused],
            sum(row.paused for row in dosed),
            "no-dose-basis" if due else nothing,
        ),
    }


def sessions_figure(rows: Sequence[LedgerRow], no_rows: Reason) -> Figure:
    """The first of the figures alone: matched of due."""
    due = [row for row in rows if not row.paused]
    return _count(map(_is_done, due), len(rows) - len(due), no_rows if not rows else "all-paused")


def split(
    rows: Sequence[LedgerRow], no_rows: Reason
) -> dict[SplitBy, dict[str, dict[FigureName, Figure]]]:
    """The same figures by who recorded, by technique and by state.

    By source, what is due is the same for each and only the credit differs, so the parts of
    ``sessions`` add up to the whole.
    """
    techniques = sorted({row.technique for row in rows})
    states: tuple[State, ...] = get_args(State)
    sources: tuple[RecordedBy, ...] = get_args(RecordedBy)
    return {
        "source": {one: figures(_recorded_by(rows, one), no_rows) for one in sources},
        "technique": {
            one: figures([row for row in rows if row.technique == one], no_rows)
            for one in techniques
        },
        "state": {
            one: figures([row for row in rows if row.state == one], no_rows) for one in states
        },
    }


def _recorded_by(rows: Sequence[LedgerRow], source: RecordedBy) -> list[LedgerRow]:
    return [
        row
        if row.credit is None or row.credit.value.recorded_by == source
        else replace(row, credit=None, share=None if row.share is None else Fraction(0))
        for row in rows
    ]


def _is_done(row: LedgerRow) -> bool:
    return row.credit is not None


def _days(rows: Sequence[LedgerRow]) -> tuple[list[list[LedgerRow]], int]:
    """The due rows of each day with anything due by the day, and the number of paused days."""
    by_day: defaultdict[date, list[LedgerRow]] = defaultdict(list)
    for row in rows:
        if row.by_day:
            by_day[row.day].append(row)
    due = [[row for row in day if not row.paused] for day in by_day.values()]
    return [day for day in due if day], sum(not day for day in due)


def _count(successes: Iterable[bool], paused: int, reason: Reason) -> Figure:
    outcomes = list(successes)
    done, trials = sum(outcomes), len(outcomes)
    if trials == 0:
        return Figure(Fraction(0), 0, paused, None, reason=reason)
    low, high = wilson(done, trials)
    return Figure(Fraction(done), trials, paused, done / trials, low, high)


def _mean(shares: Sequence[Fraction], paused: int, reason: Reason) -> Figure:
    total = sum(shares, Fraction(0))
    if not shares:
        return Figure(total, 0, paused, None, reason=reason)
    return Figure(total, len(shares), paused, float(total / len(shares)))
