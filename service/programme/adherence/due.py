"""What was due: the occurrences of every regimen, kept where plan, state and schedule agree."""

from collections.abc import Iterator
from datetime import timedelta
from typing import NamedTuple

from service.programme.adherence.timeline import Plan, Timeline
from service.programme.calendar import BEGINNING, Span
from service.programme.expansion import Occurrence
from service.programme.occurrences import occurrences
from service.programme.plan import Programme, Regimen
from service.programme.routine import routine_of

_LONGEST_WINDOW = timedelta(days=400)
"""How far ahead a window that is still open may reach into the matching; longer ones are cut."""

_NEVER = Span(BEGINNING, BEGINNING)

Line = tuple[str, str]
"""A regimen by its key, or a group of alternatives by its name."""


class Due(NamedTuple):
    """One occurrence that was due, or that a pause excused.

    ``techniques`` and ``keys`` are what fulfils it: its own, or those of all its alternatives.
    """

    occurrence: Occurrence
    plan: Plan
    regimen: Regimen
    line: Line
    unwell: bool
    paused: bool
    techniques: frozenset[str]
    keys: frozenset[str]


def due_around(timeline: Timeline, asked: Span) -> list[Due]:
    """All that was due in the time asked, and around it as far as its matching depends on it.

    A window that is open where the time begins takes in the windows that were open when it opened
    itself, and so on back to an instant at which none is open. A window that is open at the end
    may take later sessions, and those may stand in windows that begin later still.
    """
    span, found = asked, list(_due(timeline, asked))
    while (wider := _closed(span, found, asked)) != span:
        span, found = wider, list(_due(timeline, wider))
    return found


def _closed(span: Span, found: list[Due], asked: Span) -> Span:
    opening = min((one.occurrence.start for one in found), default=span.start)
    ends = (one.occurrence.end for one in found if one.occurrence.start < asked.end)
    closing = min(max(ends, default=span.end), asked.end + _LONGEST_WINDOW)
    return Span(min(span.start, opening), max(span.end, closing))


def _due(timeline: Timeline, asked: Span) -> Iterator[Due]:
    for plan in timeline.plans:
        pieces = [piece.span for piece in timeline.pieces if piece.plan is plan]
        if not pieces:
            continue
        held = Span(pieces[0].start, pieces[-1].end).common(asked)
        for regimen in plan.programme.regimen:
            yield from _of_regimen(timeline, plan, regimen, held)


def _of_regimen(timeline: Timeline, plan: Plan, regimen: Regimen, held: Span) -> Iterator[Due]:
    if regimen.schedule is None or regimen.as_needed:
        return
    programme = plan.programme
    line, members = _line(programme, regimen)
    techniques = frozenset(member.technique for member in members)
    keys = frozenset(member.key for member in members)
    leads = {unwell: _leads(programme, regimen, members, unwell) for unwell in (False, True)}
    if not leads[False]:
        held = held.common(timeline.unwell if leads[True] else _NEVER)
    if held.start >= held.end:
        return
    routine = routine_of(programme.routine)
    for occurrence in occurrences(regimen.schedule, timeline.calendar, plan.span, held, routine):
        if timeline.plan_at(occurrence.at) is not plan:
            continue
        unwell = timeline.is_unwell(occurrence.at)
        if leads[unwell]:
            paused = timeline.is_paused(occurrence.at, plan)
            yield Due(occurrence, plan, regimen, line, unwell, paused, techniques, keys)


def _line(programme: Programme, regimen: Regimen) -> tuple[Line, list[Regimen]]:
    if regimen.one_of is None:
        return ("regimen", regimen.key), [regimen]
    members = [other for other in programme.regimen if other.one_of == regimen.one_of]
    return ("one-of", regimen.one_of), members


def _leads(programme: Programme, regimen: Regimen, members: list[Regimen], unwell: bool) -> bool:
    """Whether the regimen says what is due in that state: of alternatives the first one does."""
    able = (
        member
        for member in members
        if member.schedule is not None
        and not member.as_needed
        and _is_for(programme, member, unwell)
    )
    return next(able, None) is regimen


def _is_for(programme: Programme, regimen: Regimen, unwell: bool) -> bool:
    """Well regimens stay due on unwell days only where every unwell regimen adds to them."""
    if regimen.health_state == "any":
        return True
    if regimen.health_state == "unwell":
        return unwell
    rules = {other.unwell_rule for other in programme.regimen if other.health_state == "unwell"}
    return not unwell or rules == {"adds"}
