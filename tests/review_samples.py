"""Appointments to draw: the child of the worked example, one with everything, one with nothing."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from functools import cache
from typing import Any

import worked_example

from service.programme.adherence import History, Known, adherence
from service.programme.adherence.days import days
from service.programme.appointment import Appointment, Caution, Issue
from service.programme.base import Identifier
from service.programme.goals import progress
from service.programme.log import HealthState, Pause, Session
from service.programme.plan import Child, Programme
from service.programme.review import TechniqueReview

REVIEWS = ("fortnight", "full", "empty")
_FIRST, _LAST = date(2031, 1, 6), date(2031, 7, 6)
_NOW = datetime(2031, 7, 7, 9, tzinfo=UTC)
_ME = Identifier(system="https://clinic.example/child", value="C-300")
_LONG = "Antidisestablishmentarianism-and-a-name-without-any-blank-in-it-at-all"


def review_of(name: str) -> Appointment:
    """One of ``REVIEWS``."""
    return {"fortnight": fortnight, "full": full, "empty": empty}[name]()


@cache
def fortnight() -> Appointment:
    plans = [
        Known(f"plan-{at}", 1, _NOW, Programme.model_validate(one))
        for at, one in enumerate(worked_example.PROGRAMMES)
    ]
    history = History(
        plans=plans,
        sessions=[_known(at, Session.model_validate(s))
                  for at, s in enumerate(worked_example.SESSIONS)],
        states=[_known(0, HealthState.model_validate(worked_example.STATE))],
        pauses=[_known(0, Pause.model_validate(worked_example.PAUSE))],
    )  # fmt: skip
    first, last = (date.fromisoformat(day) for day in (worked_example.FIRST, worked_example.LAST))
    return _gathered(history, first, last)


@cache
def full() -> Appointment:
    """Half a year with every measure, every sign, every state, two changes of plan and a hold."""
    plans = [
        Known(f"plan-{at}", 1, _NOW, _programme(start, often))
        for at, (start, often) in enumerate(
            (("2031-01-06", 2), ("2031-03-31", 1), ("2031-06-02", 2))
        )
    ]
    states = [_state("2031-02-10", "2031-02-16"), _state("2031-05-20", "2031-05-31")]
    history = History(
        plans=plans,
        sessions=[_known(at, one) for at, one in enumerate(_sessions())],
        states=[_known(at, one) for at, one in enumerate(states)],
        pauses=[_known(0, _pause())],
    )
    gathered = _gathered(history, _FIRST, _LAST)
    grave = Issue(
        title="Chest pain during a session", detail="Found: chest pain. " * 8, severity="high",
        since=datetime(2031, 5, 22, 8, tzinfo=UTC), times=2, task="requested", answers=[],
        open=True,
    )  # fmt: skip
    settled = replace(
        grave, severity="low", open=False, task="completed", answers=["Seen on 23 May."]
    )
    return replace(
        gathered,
        child=Child(name={"text": _LONG}, birth_date="2023-05", identifier=(_ME,)),
        cautions=[Caution("A caution that nobody answered.", True), Caution("Accepted.", False)],
        issues=[grave, settled],
        reviews=[_review("2031-02-03"), _review("2031-05-12")],
        unreadable=1,
    )


@cache
def empty() -> Appointment:
    return _gathered(History(), _FIRST, _LAST)


def _gathered(history: History, first: date, last: date) -> Appointment:
    answer = adherence(history, first, last, known_at=_NOW, now=_NOW)
    plan = history.plans[-1] if history.plans else None
    goals = plan.value.goal if plan else ()
    return Appointment(
        child=plan.value.child if plan else Child(),
        plan=plan,
        plans={one.id: one.value for one in history.plans},
        answer=answer,
        days=days(answer, history),
        cautions=[] if plan else None,
        issues=(),
        reviews=(),
        goals=[(goal, progress(goal, answer)) for goal in goals],
    )


def _known(number: int, value: Any) -> Known[Any]:
    return Known(f"{type(value).__name__}-{number}", 1, _NOW, value)


def _programme(start: str, often: int) -> Programme:
    document = worked_example.PROGRAMMES[0] | {
        "start": start, "changeReason": "Less at a time, as agreed with the family.",
        "title": "Blowing before school and after supper",
        "goal": [
            {"key": "own", "description": "Swim a length", "own": True},
            {"key": "week", "description": "Ten sessions in a week",
             "target": {"measure": "sessions-per-week", "detail": 10, "unit": "1"}},
        ],
        "review": {"due": "2031-07-07"},
        "override": [{"caution": "head-down", "regimen": "drainage", "author": "Ash Birch",
                      "reason": "Only after clinic, for ten minutes."}],
    }  # fmt: skip
    document["regimen"] = [
        {**document["regimen"][0], "healthState": "any",
         "schedule": {"frequency": often, "period": 1, "periodUnit": "d"}},
        document["regimen"][2],
    ]  # fmt: skip
    return Programme.model_validate(document)


def _sessions() -> list[Session]:
    """Two a day, with gaps by a fixed pattern."""
    made = []
    for at in range((_LAST - _FIRST).days):
        day = _FIRST + timedelta(days=at)
        if at % 11 in (3, 4) or 60 <= at < 76:
            continue
        more: dict[str, Any] = {"outcome": "not-done"} if at % 13 == 5 else _told(at)
        made.append(_session(day, 7, more))
        if at % 3:
            made.append(_session(day, 18, _told(at + 1)))
    return made


def _told(at: int) -> dict[str, Any]:
    more: dict[str, Any] = {
        "outcome": "partial" if at % 7 == 1 else "complete",
        "cycles": 3 + at % 4,
        "breathlessness": at % 6,
        "spo2": Decimal(93 + at % 6),
        "sputum": {"volume": Decimal(at % 9), "amount": "teaspoon" if at % 2 else "egg-cup",
                   "colour": ("clear", "yellow", "green")[at % 3]},
    }  # fmt: skip
    if at % 50 == 20:
        more["blood"] = {"seen": "streaks", "volume": Decimal("2.5"), "scheme": "clinic scheme"}
    if at % 40 == 36:
        more |= {"chest_pain": True, "faint": True, "stopped_early": "too breathless"}
    if at % 60 == 44:
        more["clock"] = "suspect"
    return more


def _session(day: date, hour: int, more: dict[str, Any]) -> Session:
    values = {
        "source": "phone diary", "child": _ME, "technique": "opep", "recorded_by": "diary",
        "start": datetime(day.year, day.month, day.day, hour, tzinfo=UTC), **more,
    }  # fmt: skip
    return Session.model_validate(values)


def _state(start: str, end: str) -> HealthState:
    return HealthState(source="phone diary", child=_ME, state="unwell", start=start, end=end)


def _pause() -> Pause:
    return Pause(source="clinic", child=_ME, start="2031-04-14", end="2031-04-20",
                 reason="agreed-holiday", decided_by="family")  # fmt: skip


def _review(day: str) -> TechniqueReview:
    return TechniqueReview.model_validate({
        "child": _ME, "technique": "opep", "date": day, "method": "in-clinic",
        "reviewer": {"name": "Ash Birch"}, "helper": "grandmother",
        "step": [{"step": "seal", "shown": "seen"}, {"step": "hold", "shown": "not-yet"},
                 {"step": "cough-last", "shown": "prompted"}],
    })  # fmt: skip
