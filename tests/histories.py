"""Histories of one child for tests of adherence, from short notes."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any

from service.programme.adherence import Adherence, History, Known, adherence
from service.programme.log import HealthState, Pause, Session
from service.programme.plan import Programme

CHILD = {"system": "https://clinic.example/child", "value": "C-1"}
LONG_AGO = datetime(2030, 1, 1, tzinfo=UTC)
LATER = datetime(2032, 1, 1, tzinfo=UTC)


def regimen(often: int = 2, **changes: Any) -> dict[str, Any]:
    """OPEP so many times a day."""
    return {
        "key": "opep",
        "technique": "opep",
        "healthState": "any",
        "schedule": {"frequency": often, "period": 1, "periodUnit": "d"},
        "dose": {"cycles": 6, "breaths": 10},
        **changes,
    }


def plan(*regimens: dict[str, Any], zone: str = "Europe/Paris", **changes: Any) -> Programme:
    """A programme of those regimens, from 1 May 2031 unless said otherwise."""
    return Programme.model_validate(
        {
            "child": {"identifier": [CHILD]},
            "author": {"name": {"text": "Robin Placeholder"}},
            "team": {"name": "Airway team"},
            "start": "2031-05-01",
            "timeZone": [{"zone": zone}],
            "regimen": list(regimens) or [regimen()],
            **changes,
        }
    )


def session(start: str | datetime, **changes: Any) -> Session:
    """A complete OPEP session from the diary."""
    return Session.model_validate(
        {
            "source": "diary",
            "child": CHILD,
            "technique": "opep",
            "start": start,
            "recordedBy": "diary",
            "outcome": "complete",
            **changes,
        }
    )


def state(start: str, end: str | None = None, value: str = "unwell") -> HealthState:
    return HealthState.model_validate(
        {"source": "diary", "child": CHILD, "state": value, "start": start, "end": end}
    )


def pause(start: str, end: str | None = None) -> Pause:
    return Pause.model_validate(
        {"source": "clinic", "child": CHILD, "start": start, "end": end, "reason": "admission",
         "decidedBy": "ward"}
    )  # fmt: skip


def known(values: Iterable[Any], known_at: datetime = LONG_AGO) -> list[Known[Any]]:
    """One version of each, known at that time."""
    return [Known(f"{i:04}", 1, known_at, value) for i, value in enumerate(values)]


def history(
    plans: Iterable[Programme],
    sessions: Iterable[Session] = (),
    states: Iterable[HealthState] = (),
    pauses: Iterable[Pause] = (),
) -> History:
    return History(known(plans), known(sessions), known(states), known(pauses))


def sessions_on(first: str, counts: Iterable[int], zone_hours: str = "+02:00") -> list[Session]:
    """So many sessions on each day from the first on, from 07:00 every three hours."""
    begin = date.fromisoformat(first)
    return [
        session(f"{begin + timedelta(days=day)}T{7 + 3 * k:02}:00:00{zone_hours}", cycles=6)
        for day, count in enumerate(counts)
        for k in range(count)
    ]


def ask(what: History, first: str, last: str, known_at: datetime = LATER) -> Adherence:
    return adherence(
        what, date.fromisoformat(first), date.fromisoformat(last), known_at=known_at, now=LATER
    )


def counts(answer: Adherence, figure: str = "sessions") -> tuple[float, int]:
    found = answer.figures[figure]  # type: ignore[index]
    return float(found.numerator), found.denominator
