"""What held when: the plan in force, the state of health, the pauses, and the child's days.

A plan has two times: when it is in force (its own start and end) and when it became known. Among
the plans known, drafts and mistakes aside, the one in force at an instant is the last to have
begun of those that had not ended. A plan that is over, or was revoked, still answers for its time.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from service.programme.adherence.history import HistoryOf, Known, Logged, as_known
from service.programme.calendar import BEGINNING, END, Calendar, Span, Stretch, calendar_of
from service.programme.log import HealthState
from service.programme.plan import Programme
from service.programme.zones import ZoneLookup

_NOT_PLANS = ("draft", "entered-in-error")
_NO_ZONE = Calendar([Stretch(BEGINNING, UTC, Programme.model_fields["day_boundary"].default)])


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan that can be in force, with its own reading of its dates."""

    known: Known[Programme]
    span: Span
    stretches: tuple[Stretch, ...]

    @property
    def programme(self) -> Programme:
        """The document."""
        return self.known.value


@dataclass(frozen=True, slots=True)
class InForce:
    """The plan of a piece of time; None in a gap."""

    span: Span
    plan: Plan | None


class Timeline:
    """What held at each instant, as it was known at one time.

    Outside ``unwell`` the child was never unwell.
    """

    def __init__(self, history: HistoryOf[Logged], known_at: datetime, zones: ZoneLookup) -> None:
        known = as_known(history.plans, known_at)
        able = (_plan(one, zones) for one in known if _can_be_in_force(one))
        self.plans = [plan for plan in able if plan is not None]
        self.pieces = _pieces(self.plans)
        self._starts = [piece.span.start for piece in self.pieces]
        self.calendar = _calendar(self.pieces)
        self._states = self._latest_known_first(history.states, known_at)
        self.unwell = _around(span for span, state in self._states if state == "unwell")
        self._pauses = [
            self.calendar.span(pause.value.start, pause.value.end)
            for pause in as_known(history.pauses, known_at)
            if pause.excluded is None
        ]
        self._pauses_of = {
            plan.known.id: [*self._pauses, *_holds(plan, self.calendar)] for plan in self.plans
        }

    def plan_at(self, instant: datetime) -> Plan | None:
        """The plan in force, if any."""
        index = bisect_right(self._starts, instant) - 1
        return self.pieces[index].plan if index >= 0 else None

    def is_unwell(self, instant: datetime) -> bool:
        """Of states that overlap the latest known wins; without any the child is well."""
        for span, state in self._states:
            if span.holds(instant):
                return state == "unwell"
        return False

    def is_paused(self, instant: datetime, plan: Plan | None = None) -> bool:
        """Whether nothing is due: a pause of the child's, or a hold of the plan's."""
        spans = self._pauses if plan is None else self._pauses_of[plan.known.id]
        return any(span.start <= instant < span.end for span in spans) if spans else False

    def _latest_known_first(
        self, states: Iterable[Known[HealthState]], known_at: datetime
    ) -> list[tuple[Span, str]]:
        counted = [one for one in as_known(states, known_at) if one.excluded is None]
        counted.sort(key=lambda one: (one.known_at, one.version), reverse=True)
        return [(self.calendar.span(s.value.start, s.value.end), s.value.state) for s in counted]


def _can_be_in_force(plan: Known[Programme]) -> bool:
    return plan.excluded is None and plan.value.status not in _NOT_PLANS


def _plan(known: Known[Programme], zones: ZoneLookup) -> Plan | None:
    """None for a plan whose zone nobody knows: it cannot be said when it is in force."""
    programme = known.value
    try:
        stretches = tuple(
            Stretch(
                entry.since.astimezone(UTC) if entry.since else BEGINNING,
                zones(entry.zone),
                programme.day_boundary,
            )
            for entry in programme.time_zone
        )
    except KeyError:
        return None
    span = calendar_of(stretches).span(programme.start, programme.end)
    return Plan(known, span, stretches)


def _pieces(plans: Sequence[Plan]) -> list[InForce]:
    """Time cut where a plan begins or ends; each piece with the plan that is in force in it."""
    edges = sorted({BEGINNING, END, *(edge for p in plans for edge in (p.span.start, p.span.end))})
    pieces: list[InForce] = []
    for start, end in pairwise(edges):
        holding = [plan for plan in plans if plan.span.holds(start)]
        winner = max(holding, key=_precedence, default=None)
        if pieces and pieces[-1].plan is winner:
            pieces[-1] = InForce(Span(pieces[-1].span.start, end), winner)
        else:
            pieces.append(InForce(Span(start, end), winner))
    return pieces


def _precedence(plan: Plan) -> tuple[datetime, datetime, str]:
    """The latest start wins; of equal starts, the plan that became known last."""
    return plan.span.start, plan.known.known_at, plan.known.id


def _calendar(pieces: Sequence[InForce]) -> Calendar:
    """The zones of the plan in force; a gap keeps those of the plan before, or takes the next."""
    with_plan = [piece for piece in pieces if piece.plan is not None]
    if not with_plan:
        return _NO_ZONE
    stretches: list[Stretch] = []
    plan = with_plan[0].plan
    for piece in pieces:
        plan = piece.plan or plan
        for stretch in _during(piece.span, plan.stretches if plan else ()):
            last = stretches[-1] if stretches else None
            if last is None or (last.zone, last.boundary) != (stretch.zone, stretch.boundary):
                stretches.append(stretch)
    return calendar_of(tuple(stretches))


def _during(span: Span, stretches: Sequence[Stretch]) -> Iterable[Stretch]:
    ends = [*(stretch.since for stretch in stretches[1:]), END]
    for stretch, end in zip(stretches, ends, strict=True):
        start = max(span.start, stretch.since)
        if start < min(span.end, end):
            yield Stretch(start, stretch.zone, stretch.boundary)


def _around(spans: Iterable[Span]) -> Span:
    """The time that holds all of them; without length where there is none."""
    each = list(spans)
    start = min((span.start for span in each), default=BEGINNING)
    return Span(start, max((span.end for span in each), default=start))


def _holds(plan: Plan, calendar: Calendar) -> list[Span]:
    """Dated holds; a plan that is on hold without a date is on hold for all its time."""
    dated = [calendar.span(hold.start, hold.end) for hold in plan.programme.hold]
    if plan.programme.status == "on-hold" and not dated:
        return [plan.span]
    return dated
