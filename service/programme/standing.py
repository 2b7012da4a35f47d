"""How a version of a plan stands at an instant: may a family follow it now?

Only one answer is yes. Every other has to be said before anything of the plan is shown.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from service.programme.adherence.history import History, Known, as_known
from service.programme.adherence.timeline import Timeline
from service.programme.log import Pause
from service.programme.plan import Programme
from service.programme.zones import ZoneLookup

Kind = Literal[
    "in-force", "draft", "not-yet", "on-hold", "paused", "replaced", "over", "revoked",
    "entered-in-error",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Standing:
    """``id`` is the plan's own, as in ``Known``.

    ``in_force`` and ``coming`` are the ids of the version in force, if any, and of one that begins
    later. ``start`` and ``end`` bound what keeps the plan from being followed, as written; ``why``
    is the reason given for it, a code of a pause or the words of a hold.
    """

    kind: Kind
    in_force: str | None = None
    coming: str | None = None
    start: date | datetime | None = None
    end: date | datetime | None = None
    why: str | None = None


def standing_of(history: History, id_: str, now: datetime, zones: ZoneLookup) -> Standing:
    """How the plan of that id stands among all versions known. Raises KeyError for one unknown."""
    known = {one.id: one for one in as_known(history.plans, now)}
    asked = known[id_].value
    if asked.status in ("draft", "entered-in-error", "revoked"):
        return Standing(asked.status, _in_force(history, now, zones))
    timeline = Timeline(history, now, zones)
    winner = timeline.plan_at(now)
    in_force = winner.known.id if winner and winner.programme.status != "revoked" else None
    coming = _coming(timeline, now)
    if in_force != id_:
        return _not_in_force(timeline, id_, now, in_force, coming)
    if asked.status == "completed" and coming is None and not _is_back(known[id_], known.values()):
        return Standing("over", None)
    if winner is not None and timeline.is_paused(now, winner):
        return _stopped(history, timeline, asked, now, in_force, coming)
    return Standing("in-force", in_force, coming)


def _is_back(asked: Known[Programme], known: Iterable[Known[Programme]]) -> bool:
    """Whether what ended the plan turned out to be a mistake, so that it counts again."""
    return any(
        one.value.status == "entered-in-error" and one.id != asked.id
        for one in known
        if one.known_at >= asked.known_at
    )


def _in_force(history: History, now: datetime, zones: ZoneLookup) -> str | None:
    plan = Timeline(history, now, zones).plan_at(now)
    return plan.known.id if plan and plan.programme.status != "revoked" else None


def _coming(timeline: Timeline, now: datetime) -> str | None:
    """The next plan to begin that is still meant."""
    later = [
        plan
        for plan in timeline.plans
        if plan.span.start > now and plan.programme.status in ("active", "on-hold")
    ]
    return min(later, key=lambda plan: plan.span.start).known.id if later else None


def _not_in_force(
    timeline: Timeline, id_: str, now: datetime, in_force: str | None, coming: str | None
) -> Standing:
    own = next((plan for plan in timeline.plans if plan.known.id == id_), None)
    if own is not None and own.span.start > now and own.programme.status != "completed":
        return Standing("not-yet", in_force, coming, start=own.programme.start)
    if in_force is not None:
        return Standing("replaced", in_force, coming)
    return Standing("over", None, coming)


def _stopped(
    history: History,
    timeline: Timeline,
    asked: Programme,
    now: datetime,
    in_force: str | None,
    coming: str | None,
) -> Standing:
    """A hold of the plan's goes before a pause of the child's: it was written into the plan."""
    for hold in asked.hold:
        if timeline.calendar.span(hold.start, hold.end).holds(now):
            return Standing(
                "on-hold", in_force, coming, start=hold.start, end=hold.end, why=hold.reason
            )
    pause = _pause_at(history.pauses, timeline, now)
    if pause is None:
        return Standing("on-hold", in_force, coming)
    return Standing("paused", in_force, coming, start=pause.start, end=pause.end, why=pause.reason)


def _pause_at(pauses: Sequence[Known[Pause]], timeline: Timeline, now: datetime) -> Pause | None:
    """Of pauses that overlap the one that lasts longest."""
    spans = [
        (timeline.calendar.span(one.value.start, one.value.end), one.value)
        for one in as_known(pauses, now)
        if one.excluded is None
    ]
    holding = [(span.end, pause) for span, pause in spans if span.holds(now)]
    return max(holding, key=lambda item: item[0])[1] if holding else None
