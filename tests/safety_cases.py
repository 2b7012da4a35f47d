"""One child's histories for tests of the safety rules: a plan, logs, and the day they are asked."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from histories import plan, regimen, session, state

from service.programme.adherence import History, Known
from service.programme.log import HealthState, Session
from service.programme.plan import Programme
from service.programme.safety import DEFAULT_POLICY, SafetyFinding, SafetyPolicy, assess

NOW = datetime(2031, 5, 29, 12, tzinfo=UTC)
"""Noon on a Thursday four weeks into the plan, in the afternoon where the child lives (Paris)."""

WELL = regimen(
    1,
    healthState="well",
    device="blower",
    dose={"basis": "cycles", "cycles": 6, "breaths": 10, "setting": {"value": 3}},
)
UNWELL = regimen(2, key="more", healthState="unwell", unwellRule="replaces")


def a_plan(*regimens: dict[str, Any], **changes: Any) -> Programme:
    """OPEP once a day at setting 3, twice when unwell, from 1 May 2031."""
    device = {"key": "blower", "kind": "opep-handheld"}
    given: dict[str, Any] = {"id": "programme-1", "device": [device], **changes}
    return plan(*(regimens or (WELL, UNWELL)), **given)


def at(day: int, clock: str = "07:00:00", month: int = 5) -> str:
    """An instant in the child's zone."""
    return f"2031-{month:02}-{day:02}T{clock}+02:00"


def log(day: int, clock: str = "07:00:00", **changes: Any) -> Session:
    """A session of that day in May 2031."""
    return session(at(day, clock), **changes)


def bled(day: int, millilitres: Any = None, clock: str = "07:00:00", **changes: Any) -> Session:
    """A session with streaks of blood, or with so many millilitres."""
    blood: dict[str, Any] = {"seen": "streaks", "scheme": "clinic scheme"}
    if millilitres is not None:
        blood["volume"] = millilitres
    return log(day, clock, blood=blood, **changes)


def known(
    things: Iterable[Any], prefix: str = "s", *, known_at: datetime | None = None
) -> list[Known[Any]]:
    """One version of each; the record learnt of it an hour after it began."""
    return [
        Known(f"{prefix}{number:04}", 1, known_at or _after(thing.start), thing)
        for number, thing in enumerate(things)
    ]


def _after(start: Any) -> datetime:
    begun = start if isinstance(start, datetime) else datetime(start.year, start.month, start.day,
                                                               tzinfo=UTC)  # fmt: skip
    return begun.astimezone(UTC) + timedelta(hours=1)


def history(
    sessions: Iterable[Session] = (),
    states: Iterable[HealthState] = (),
    plans: Iterable[Programme] | None = None,
) -> History:
    """What the record knows of the child."""
    return History(
        known((a_plan(),) if plans is None else plans, "plan"),
        known(sessions),
        known(states, "state"),
    )


def found(
    what: History, policy: SafetyPolicy = DEFAULT_POLICY, now: datetime = NOW
) -> dict[tuple[str, str], SafetyFinding]:
    """Findings by rule and what they are about."""
    return {(one.rule, one.about): one for one in assess(what, policy, now=now)}


def rules(what: History, policy: SafetyPolicy = DEFAULT_POLICY, now: datetime = NOW) -> set[str]:
    """The rules that hold."""
    return {rule for rule, _ in found(what, policy, now)}


def usually(name: str, value: Any, days: int = 5, last: int = 25) -> list[Session]:
    """That reading on each of so many days up to the last one."""
    return [log(day, "06:00:00", **{name: value}) for day in range(last - days + 1, last + 1)]


def unwell(since: int, until: int | None = None) -> HealthState:
    """Unwell from that day of May 2031 on."""
    return state(f"2031-05-{since:02}", None if until is None else f"2031-05-{until:02}")
