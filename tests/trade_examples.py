"""Documents of the trade for tests: one good programme and one good session, to be spoilt."""

from copy import deepcopy
from typing import Any

Json = dict[str, Any]

CHILD: Json = {"system": "https://clinic.example/child", "value": "C-117"}

_PROGRAMME: Json = {
    "status": "active",
    "language": "en",
    "child": {
        "identifier": [CHILD],
        "name": {"text": "Tilda Example"},
        "birthDate": "2022-03-09",
        "sex": "female",
    },
    "author": {"name": {"text": "Sam Sample"}, "role": "physiotherapist"},
    "team": {"name": "Airway team", "phone": "+00 0000 0000"},
    "diagnosis": [{"condition": {"text": "primary ciliary dyskinesia"}}],
    "start": "2031-03-03",
    "timeZone": [{"zone": "Europe/Paris"}],
    "device": [{"key": "blower", "kind": "opep-handheld", "scale": {"low": 1, "high": 5}}],
    "regimen": [
        {
            "key": "opep",
            "technique": "opep",
            "healthState": "well",
            "schedule": {"frequency": 2, "period": 1, "periodUnit": "d"},
            "dose": {"basis": "cycles", "cycles": 6, "breaths": 10, "setting": {"value": 3}},
            "device": "blower",
        },
        {
            "key": "drainage",
            "technique": "autogenic-drainage",
            "healthState": "any",
            "schedule": {"dayOfWeek": ["tue", "fri"]},
            "dose": {"basis": "minutes", "minutes": 20},
        },
    ],
}

_SESSION: Json = {
    "id": {"system": "https://diary.example/session", "value": "s-1"},
    "source": "phone diary",
    "child": CHILD,
    "technique": "opep",
    "regimen": "opep",
    "start": "2031-03-04T07:30:00+01:00",
    "end": "2031-03-04T07:50:00+01:00",
    "recordedBy": "diary",
    "performer": "child",
    "outcome": "complete",
    "cycles": 6,
}


def programme(**changes: Any) -> Json:
    """A programme that is accepted; ``changes`` replace whole fields."""
    return deepcopy(_PROGRAMME) | changes


def session(**changes: Any) -> Json:
    """A session that is accepted; ``changes`` replace whole fields."""
    return deepcopy(_SESSION) | changes
