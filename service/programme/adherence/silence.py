"""Days without a log. Silence is not refusal: it is shown beside the score, never in it."""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.programme.adherence.timeline import Timeline
from service.programme.calendar import Span

LONG_SILENCE = 14
"""Days from which a silent spell is marked."""

_A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class SilentSpell:
    """So many days without a log from ``first`` to ``last``; days on pause are not counted."""

    first: date
    last: date
    days: int


def silent_days(timeline: Timeline, first: date, last: date, logged: set[date]) -> list[date]:
    """Days without a log on which a plan was in force and not paused, judged at mid-day."""
    return [
        day for day in days_between(first, last) if day not in logged and _expected(timeline, day)
    ]


def silent_spells(
    silent: Sequence[date],
    logged: Iterable[date],
    due: Iterable[date],
    shortest: int = LONG_SILENCE,
) -> tuple[SilentSpell, ...]:
    """Runs of silent days that no log interrupts, from ``shortest`` days on.

    Where nothing was due in a run, nobody was silent about anything.
    """
    interruptions, asked = sorted(logged), sorted(due)
    spells: list[SilentSpell] = []
    run: list[date] = []
    for day in silent:
        if run and _any_between(run[-1], day, interruptions):
            spells.append(_spell(run))
            run = []
        run.append(day)
    if run:
        spells.append(_spell(run))
    return tuple(
        spell
        for spell in spells
        if spell.days >= shortest and any(spell.first <= day <= spell.last for day in asked)
    )


def _any_between(after: date, before: date, in_order: Sequence[date]) -> bool:
    following = bisect_right(in_order, after)
    return following < len(in_order) and in_order[following] < before


def days_between(first: date, last: date) -> list[date]:
    """Both ends included."""
    return [first + timedelta(days=k) for k in range((last - first).days + 1)]


def _spell(run: Sequence[date]) -> SilentSpell:
    return SilentSpell(run[0], run[-1], len(run))


def _expected(timeline: Timeline, day: date) -> bool:
    bounds = timeline.calendar.bounds(day)
    if bounds is None:
        return False
    middle = Span(*bounds).middle()
    plan = timeline.plan_at(middle)
    return plan is not None and not timeline.is_paused(middle, plan)
