"""A year of many invented children: plans, states of health, pauses and session logs.

Of twenty children ten have one technique twice a day; five a well plan and another one for unwell
days, with two colds and a week away; three a technique with a duration once a day and exercise
three times a week; two may choose between techniques and have a new plan from July on. Each logs
``sessions`` over the year, by diary or device; some are partial, not done or of a doubtful clock.
"""

import random
import uuid
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from functools import cache, partial
from typing import Any

from service.fhir.json import JsonObject
from service.mapping.logs import (
    RegimenLink,
    health_state_to_observation,
    pause_to_observation,
    session_to_observation,
)
from service.mapping.programme import to_resources
from service.programme.log import HealthState, Pause, Session
from service.programme.plan import Programme

FIRST, LAST = date(2025, 1, 1), date(2025, 12, 31)
STORED = datetime(2026, 1, 1, tzinfo=UTC)
_CHILD, _LOG = "https://clinic.example/child", "https://clinic.example/log"
_PLACE = uuid.UUID("60f1f04a-b0bb-4ed5-9e5b-3c1b8f5b8b3f")
_DAYS = (LAST - FIRST).days + 1
_SUMMER = (date(2025, 3, 30), date(2025, 10, 26))


def _regimen(key: str, often: int, unit: str = "d", **more: Any) -> dict[str, Any]:
    schedule = {"frequency": often, "period": 1, "periodUnit": unit}
    return {"key": key, "technique": key, "healthState": "any", "schedule": schedule, **more}


_CYCLES = {"cycles": 6, "breaths": 10}
_PLANS: dict[str, list[list[dict[str, Any]]]] = {
    "plain": [[_regimen("opep", 2, dose=_CYCLES)]],
    "unwell": [
        [
            _regimen("pep", 2, dose=_CYCLES, healthState="well"),
            _regimen("acbt", 3, healthState="unwell", unwellRule="replaces", dose={"cycles": 3}),
        ]
    ],
    "minutes": [
        [
            _regimen("hfcwo", 1, dose={"basis": "minutes", "minutes": 20}),
            _regimen("exercise", 3, "wk", dose={"basis": "minutes", "minutes": 30}),
        ]
    ],
    "choice": [
        [_regimen("opep", 2, oneOf="either"), _regimen("pep", 2, oneOf="either")],
        [_regimen("opep", 2), _regimen("exercise", 1)],
    ],
}
_DONE = {
    "plain": ["opep"],
    "unwell": ["pep", "pep", "acbt"],
    "minutes": ["hfcwo", "hfcwo", "exercise"],
    "choice": ["opep", "opep", "pep"],
}


def kind_of(child: int) -> str:
    """Which of the four sorts of children it is."""
    kinds = ["plain"] * 10 + ["unwell"] * 5 + ["minutes"] * 3 + ["choice"] * 2
    return kinds[child % len(kinds)]


def patient_id(child: int) -> str:
    return f"child-{child:05}"


def _id(*names: object) -> str:
    return str(uuid.uuid5(_PLACE, "/".join(map(str, names))))


def _who(child: int) -> dict[str, str]:
    return {"system": _CHILD, "value": f"C-{child}"}


def resources_of(child: int) -> Iterator[JsonObject]:
    """Everything but the sessions."""
    yield {"resourceType": "Patient", "id": patient_id(child), "identifier": [_who(child)]}
    plans = _PLANS[kind_of(child)]
    for number, regimens in enumerate(plans):
        document = {
            "id": f"home-{child}-{number}",
            "child": {"reference": f"Patient/{patient_id(child)}"},
            "author": {"name": {"text": "Robin Placeholder"}},
            "team": {"name": "Airway team"},
            "start": ["2025-01-01", "2025-07-01"][number],
            "end": "2025-06-30" if number + 1 < len(plans) else None,
            "timeZone": [{"zone": "Europe/Paris"}],
            "regimen": regimens,
        }
        plan = Programme.model_validate(document)
        made = to_resources(plan, ids=partial(_id, child, number))
        yield from made.parties
        yield from made.of_version()
    if kind_of(child) == "unwell":
        yield from _colds_and_a_holiday(child)


def _colds_and_a_holiday(child: int) -> Iterator[JsonObject]:
    subject = f"Patient/{patient_id(child)}"
    for day in (40 + child % 30, 250 + child % 30):
        begin = FIRST + timedelta(days=day)
        cold = {
            "source": "family diary", "child": _who(child), "state": "unwell",
            "start": begin.isoformat(), "end": (begin + timedelta(days=8)).isoformat(),
        }  # fmt: skip
        yield health_state_to_observation(
            HealthState.model_validate(cold), subject=subject, id=_id(child, "cold", day)
        )
    away = {
        "source": "clinic", "child": _who(child), "start": "2025-08-04", "end": "2025-08-10",
        "reason": "agreed-holiday", "decidedBy": "family and team",
    }  # fmt: skip
    yield pause_to_observation(Pause.model_validate(away), subject=subject, id=_id(child, "away"))


@cache
def _pattern(technique: str, outcome: str, by: str, clock: str | None, minutes: int) -> JsonObject:
    done = outcome != "not-done"
    session = {
        "id": {"system": _LOG, "value": "S"},
        "source": "family diary" if by == "diary" else "device feed",
        "child": {"system": _CHILD, "value": "C"},
        "technique": technique,
        "regimen": technique if by == "diary" else None,
        "start": "2025-01-01T07:00:00+01:00",
        "end": "2025-01-01T07:15:00+01:00",
        "recorded": "2025-01-01T08:00:00+01:00",
        "recordedBy": by,
        "performer": "child",
        "helper": "parent",
        "outcome": outcome,
        "minutes": minutes if done else None,
        "cycles": minutes % 3 + 4 if done else None,
        "breaths": 10 if done else None,
        "huffs": 2 if done else None,
        "sputum": {"amount": "teaspoon", "colour": "clear"},
        "breathlessness": minutes % 4,
        "clock": clock,
    }
    if technique == "opep":
        session |= {"setting": 3, "deviceKind": "opep-handheld"}
    link = RegimenLink("ServiceRequest/x", "home") if session["regimen"] else None
    return session_to_observation(
        Session.model_validate(session), subject="Patient/x", regimen=link, id="x"
    )


def sessions_of(child: int, sessions: int) -> Iterator[JsonObject]:
    """Evenly over the year, mornings and evenings; the same each time."""
    chance = random.Random(child)  # noqa: S311
    techniques = _DONE[kind_of(child)]
    for number in range(sessions):
        day = FIRST + timedelta(days=number * _DAYS // sessions)
        zone = "+02:00" if _SUMMER[0] <= day < _SUMMER[1] else "+01:00"
        start = datetime(day.year, day.month, day.day, 7 + 11 * (number % 2))  # noqa: DTZ001
        start += timedelta(minutes=chance.randrange(50))
        pattern = _pattern(
            chance.choice(techniques),
            chance.choices(["complete", "partial", "not-done"], [90, 6, 4])[0],
            chance.choice(["diary", "device"]),
            "suspect" if chance.random() < 0.005 else None,
            chance.randrange(8, 25),
        )
        yield pattern | _own_of(pattern, child, number, start, zone)


def _own_of(pattern: JsonObject, child: int, number: int, start: datetime, zone: str) -> JsonObject:
    """What each session has by itself."""
    patient, end = f"Patient/{patient_id(child)}", start + timedelta(minutes=15)
    own: JsonObject = {
        "id": _id(child, "session", number),
        "identifier": [{"system": _LOG, "value": f"S-{child}-{number}"}],
        "subject": {"reference": patient, "identifier": _who(child)},
        "performer": [{"reference": patient, "type": "Patient"}],
        "effectivePeriod": {
            "start": f"{start.isoformat()}{zone}",
            "end": f"{end.isoformat()}{zone}",
        },
        "issued": f"{(end + timedelta(hours=1)).isoformat()}{zone}",
    }
    for named in pattern.get("basedOn", ()):
        system, (_, _, key) = (
            named["identifier"]["system"],
            named["identifier"]["value"].partition("/"),
        )
        own["basedOn"] = [
            {
                "reference": f"ServiceRequest/{_id(child, 0, 'ServiceRequest', f'regimen/{key}')}",
                "identifier": {"system": system, "value": f"home-{child}-0/{key}"},
            }
        ]
    return own
