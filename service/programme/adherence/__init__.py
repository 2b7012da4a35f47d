"""Adherence: what was due, what was done, and how the one meets the other.

Pure: the same history gives the same answer on any machine. ``known_at`` asks for the answer as it
was then; a later correction of a plan, a state or a session changes the answer of today and leaves
that one as it was.
"""

from datetime import date, datetime, timedelta

from service.programme.adherence.dose import share
from service.programme.adherence.due import Due, due_around
from service.programme.adherence.figures import (
    FIGURES,
    Figure,
    FigureName,
    LedgerRow,
    Reason,
    figures,
    split,
)
from service.programme.adherence.history import History, Known, LeftOut, as_known
from service.programme.adherence.matching import Ending, Matching, match
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
    if last < first:
        raise ValueError("the last day comes before the first")
    timeline = Timeline(history, known_at, zones)
    asked = timeline.calendar.span(first, last)
    due = due_around(timeline, asked)
    sessions = as_known(history.sessions, known_at)
    matching = match(due, sessions, timeline)
    received = _received(sessions, matching, timeline, first, last)
    logged = {row.day for row in received if row.is_log}
    ledger = _ledger(timeline, due, matching, logged, first, last)
    if technique is not None:
        received = _received_of(technique, received, due, matching)
        ledger = [row for row in ledger if row.technique == technique]
    due_days = {row.day for row in ledger if not row.paused}
    silent = silent_days(timeline, first, last, logged)
    no_rows = _why_no_rows(timeline, asked)
    return Adherence(
        first=first,
        last=last,
        known_at=known_at,
        computed_at=now,
        figures=figures(ledger, no_rows),
        splits=split(ledger, no_rows),
        ledger=tuple(ledger),
        received=received,
        observed_days=len(due_days & logged),
        unlogged_days=len(due_days - logged),
        silent_spells=silent_spells(silent, logged, [row.day for row in ledger if not row.paused]),
        plans=_plans_used(timeline, asked),
        left_out=tuple(history.left_out),
        zone_data=ZONE_DATA_VERSION,
        technique=technique,
    )


def _received(
    sessions: list[Known[Session]], matching: Matching, timeline: Timeline, first: date, last: date
) -> tuple[Received, ...]:
    rows: list[Received] = []
    for session in sorted(sessions, key=lambda one: (one.value.start, one.id)):
        start, ending = session.value.start, matching.ending_of[session.id]
        day = timeline.calendar.day_of(start)
        if first <= day <= last or ending == "doubtful":
            paused = timeline.is_paused(start, timeline.plan_at(start))
            rows.append(Received(session, day, ending, paused))
    return tuple(rows)


def _received_of(
    technique: str, received: tuple[Received, ...], due: list[Due], matching: Matching
) -> tuple[Received, ...]:
    """Rows of the technique: by what they fulfilled, or by what they say where that is nothing."""
    fulfilled = {
        session.id: due[index].regimen.technique for index, session in matching.session_of.items()
    }
    return tuple(
        row
        for row in received
        if fulfilled.get(row.session.id, row.session.value.technique) == technique
    )


def _ledger(
    timeline: Timeline,
    due: list[Due],
    matching: Matching,
    logged: set[date],
    first: date,
    last: date,
) -> list[LedgerRow]:
    rows = [
        _ledger_row(timeline, one, matching.session_of.get(index), one.occurrence.day in logged)
        for index, one in enumerate(due)
        if first <= one.occurrence.day <= last
    ]
    return sorted(rows, key=lambda row: (row.day, row.at, row.regimen))


def _ledger_row(
    timeline: Timeline, one: Due, credit: Known[Session] | None, logged: bool
) -> LedgerRow:
    occurrence, plan, local = one.occurrence, one.plan.known, timeline.calendar.local
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
        share=share(one.regimen.dose, credit.value if credit else None),
        logged=logged,
    )


def _why_no_rows(timeline: Timeline, asked: Span) -> Reason:
    return "no-schedule" if _plans_used(timeline, asked) else "no-plan"


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
