"""The five figures, each a sum over the ledger."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from fractions import Fraction
from typing import Literal, NamedTuple, Protocol, get_args

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


class DueRow(Protocol):
    """What the figures ask of one occurrence."""

    @property
    def day(self) -> date: ...
    @property
    def by_day(self) -> bool: ...
    @property
    def paused(self) -> bool: ...
    @property
    def done(self) -> bool: ...
    @property
    def share(self) -> Fraction | None: ...
    @property
    def logged(self) -> bool: ...


@dataclass(slots=True)
class CountedRow:
    """An occurrence with that only, and its technique; see ``LedgerRow``."""

    day: date
    by_day: bool
    technique: str
    paused: bool
    done: bool
    share: Fraction | None
    logged: bool


class LedgerRow(NamedTuple):
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
    def done(self) -> bool:
        """Whether a session fulfilled it."""
        return self.credit is not None

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


def figures(rows: Sequence[DueRow], no_rows: Reason) -> dict[FigureName, Figure]:
    """The figures of some rows; ``no_rows`` is the reason to give where there is none."""
    sums = _Sums()
    for row in rows:
        sums.add(row)
    nothing: Reason = no_rows if not rows else "all-paused"
    days = [(due, done) for due, done in sums.days.values() if due]
    paused_days = len(sums.days) - len(days)
    no_days: Reason = "no-daily-regimen" if sums.due else nothing
    return {
        "sessions": _count(sums.done, sums.due, sums.paused, nothing),
        "days": _count(sum(due == done for due, done in days), len(days), paused_days, no_days),
        "any": _count(sum(done > 0 for _, done in days), len(days), paused_days, no_days),
        "logged": _count(
            sums.logged_done,
            sums.logged_due,
            sums.logged_paused,
            "nothing-logged" if sums.due else nothing,
        ),
        "dose": _mean(
            sums.total_share(),
            sums.dosed,
            sums.dosed_paused,
            "no-dose-basis" if sums.due else nothing,
        ),
    }


@dataclass(slots=True)
class _Sums:
    """What one walk over the rows adds up; ``days``: how much was due and done by the day."""

    due: int = 0
    done: int = 0
    paused: int = 0
    logged_due: int = 0
    logged_done: int = 0
    logged_paused: int = 0
    dosed: int = 0
    dosed_paused: int = 0
    days: dict[date, list[int]] = field(default_factory=dict)
    shares: dict[int, int] = field(default_factory=dict)

    def add(self, row: DueRow) -> None:
        """One more row."""
        if row.paused:
            self._add_paused(row)
            return
        done = row.done
        self.due += 1
        self.done += done
        if row.logged:
            self.logged_due += 1
            self.logged_done += done
        if row.by_day:
            day = self.days.setdefault(row.day, [0, 0])
            day[0] += 1
            day[1] += done
        if (share := row.share) is not None:
            self.dosed += 1
            of = share.denominator  # sums of whole numbers: adding fractions one by one is slow
            self.shares[of] = self.shares.get(of, 0) + share.numerator

    def _add_paused(self, row: DueRow) -> None:
        self.paused += 1
        self.logged_paused += row.logged
        self.dosed_paused += row.share is not None
        if row.by_day:
            self.days.setdefault(row.day, [0, 0])

    def total_share(self) -> Fraction:
        """All shares together."""
        return sum((Fraction(parts, of) for of, parts in self.shares.items()), Fraction(0))


def sessions_figure(rows: Sequence[DueRow], no_rows: Reason) -> Figure:
    """The first of the figures alone: matched of due."""
    due = [row.done for row in rows if not row.paused]
    paused = len(rows) - len(due)
    return _count(sum(due), len(due), paused, no_rows if not rows else "all-paused")


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
        else row._replace(credit=None, share=None if row.share is None else Fraction(0))
        for row in rows
    ]


def _count(done: int, trials: int, paused: int, reason: Reason) -> Figure:
    if trials == 0:
        return Figure(Fraction(0), 0, paused, None, reason=reason)
    low, high = wilson(done, trials)
    return Figure(Fraction(done), trials, paused, done / trials, low, high)


def _mean(total: Fraction, shares: int, paused: int, reason: Reason) -> Figure:
    if not shares:
        return Figure(total, 0, paused, None, reason=reason)
    return Figure(total, shares, paused, float(total / shares))
