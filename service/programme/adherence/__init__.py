"""Adherence: what was due, what was done, and how the one meets the other.

Pure: the same history gives the same answer on any machine. ``known_at`` asks for the answer as it
was then; a later correction of a plan, a state or a session changes the answer of today and leaves
that one as it was.
"""

from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from fractions import Fraction

from service.programme.adherence.due import Due
from service.programme.adherence.figures import (
    FIGURES,
    Figure,
    FigureName,
    LedgerRow,
    figures,
)
from service.programme.adherence.history import History, Known, LeftOut
from service.programme.adherence.matching import Ending
from service.programme.adherence.result import (
    RULE_VERSION,
    Adherence,
    PlanUsed,
    Received,
    RowCounts,
)
from service.programme.adherence.silence import (
    LONG_SILENCE,
    SilentSpell,
    silent_days,
    silent_spells,
)
from service.programme.adherence.timeline import Timeline
from service.programme.adherence.working import Worked, why_no_rows, work_out
from service.programme.calendar import Calendar, Span
from service.programme.log import Session
from service.programme.plan import Programme
from service.programme.zones import ZONE_DATA_VERSION, ZoneLookup, zone

__all__ = [
    "FIGURES",
    "LONG_SILENCE",
    "RULE_VERSION",
    "Adherence",
    "Ending",
    "Figure",
    "FigureName",
    "History",
    "Known",
    "LedgerRow",
    "LeftOut",
    "PlanUsed",
    "Received",
    "RowCounts",
    "SilentSpell",
    "adherence",
]

_A_MOMENT = timedelta(microseconds=1)


def adherence(
    history: History,
    first: date,
    last: date,
    *,
    known_at: datetime,
    now: datetime,
    technique: str | None = None,
    zones: ZoneLookup = zone,
) -> Adherence:
    """The child's adherence from ``first`` to ``last``, both included, in the child's own days.

    Sessions are matched before the range is cut, so parts of a range add up to the range. With a
    ``technique`` the answer is about what was due of it; a session of another one that fulfilled
    it as an alternative is among it. Whether a day has a log is asked of all techniques. Raises
    ``ValueError`` when ``last`` comes before ``first``.
    """
    worked = work_out(history, first, last, known_at, zones)
    timeline = worked.timeline
    received = tuple(_received(worked, technique))
    ledger = _ledger(worked)
    if technique is not None:
        ledger = [row for row in ledger if row.technique == technique]
    due_days = {row.day for row in ledger if not row.paused}
    silent = silent_days(timeline, first, last, worked.logged)
    no_rows = why_no_rows(worked)
    return Adherence(
        first=first,
        last=last,
        known_at=known_at,
        computed_at=now,
        figures=figures(ledger, no_rows),
        no_rows=no_rows,
        ledger=tuple(ledger),
        received=received,
        observed_days=len(due_days & worked.logged),
        unlogged_days=len(due_days - worked.logged),
        silent_spells=silent_spells(
            silent, worked.logged, [row.day for row in ledger if not row.paused]
        ),
        plans=_plans_used(timeline, worked.asked),
        left_out=tuple(history.left_out),
        zone_data=ZONE_DATA_VERSION,
        technique=technique,
    )


def _received(worked: Worked[Session], technique: str | None) -> Iterator[Received]:
    timeline = worked.timeline
    for row, ending in worked.received_of(technique):
        paused = timeline.is_paused(row.start, timeline.plan_at(row.start))
        yield Received(row.known, row.day, ending, paused)


def _ledger(worked: Worked[Session]) -> list[LedgerRow]:
    clocks: dict[datetime, datetime] = {}

    def local(instant: datetime) -> datetime:
        if instant not in clocks:
            clocks[instant] = worked.timeline.calendar.local(instant)
        return clocks[instant]

    rows = [
        _ledger_row(local, one, credit, share, one.occurrence.day in worked.logged)
        for one, credit, share in worked.due_rows()
    ]
    rows.sort(key=lambda row: (row.day, row.at, row.regimen))
    return rows


def _ledger_row(
    local: Callable[[datetime], datetime],
    one: Due,
    credit: Known[Session] | None,
    share: Fraction | None,
    logged: bool,
) -> LedgerRow:
    occurrence, plan = one.occurrence, one.plan.known
    return LedgerRow(
        day=occurrence.day,
        at=local(occurrence.at),
        window_start=local(occurrence.start),
        window_end=local(occurrence.end),
        by_day=occurrence.by_day,
        most=occurrence.most,
        regimen=one.regimen.key,
        technique=one.regimen.technique,
        plan_id=plan.id,
        plan_version=plan.version,
        basis=one.regimen.dose.basis if one.regimen.dose else "none",
        state="unwell" if one.unwell else "well",
        paused=one.paused,
        credit=credit,
        share=share,
        logged=logged,
    )


def _plans_used(timeline: Timeline, asked: Span) -> tuple[PlanUsed, ...]:
    used: list[PlanUsed] = []
    for piece in timeline.pieces:
        common = piece.span.common(asked)
        if piece.plan is not None and common.start < common.end:
            used.append(_plan_used(piece.plan.known, common, timeline.calendar))
    return tuple(used)


def _plan_used(plan: Known[Programme], during: Span, calendar: Calendar) -> PlanUsed:
    return PlanUsed(
        id=plan.id,
        version=plan.version,
        start=calendar.local(during.start),
        end=calendar.local(during.end),
        first=calendar.day_of(during.start),
        last=calendar.day_of(during.end - _A_MOMENT),
    )
