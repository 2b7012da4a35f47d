"""A programme to post and to change, for tests of the record and of HTTP."""

from copy import deepcopy
from decimal import Decimal
from typing import Any

from service.fhir.json import JsonObject

CHILDREN = "https://clinic.example/children"
CHILD = {
    "identifier": [{"system": CHILDREN, "value": "7"}],
    "name": {"text": "Sunny Meadow"},
    "birthDate": "2021-07-01",
}
PROGRAMME: JsonObject = {
    "id": "meadow-7",
    "title": "Sunny Meadow's programme",
    "child": CHILD,
    "author": {"name": {"text": "Ash Birch"}, "role": "Physiotherapist"},
    "team": {"name": "Harbour team", "member": [{"name": {"text": "Elm Rowan"}}]},
    "diagnosis": [{"condition": {"text": "Cystic fibrosis"}}],
    "start": "2031-03-01",
    "timeZone": [{"zone": "Europe/Madrid"}],
    "regimen": [
        {
            "key": "opep",
            "technique": "opep",
            "healthState": "any",
            "schedule": {"frequency": 2, "period": 1, "periodUnit": "d"},
            "dose": {"basis": "cycles", "cycles": 6, "breaths": 10, "hold": Decimal("2.50")},
            "device": "handheld",
        },
        {
            "key": "drainage",
            "technique": "autogenic-drainage",
            "healthState": "any",
            "schedule": {"dayOfWeek": ["tue", "fri"], "timeOfDay": ["17:30"]},
            "dose": {"basis": "minutes", "minutes": 20},
        },
    ],
    "device": [{"key": "handheld", "kind": "opep-handheld"}],
    "review": {"due": "2031-06-01"},
    "goal": [{"key": "swim", "description": "Swim a length", "own": True}],
}
TOO_YOUNG = CHILD | {"birthDate": "2029-01-01"}
OVERRIDE = {
    "caution": "mouthpiece-under-age",
    "regimen": "opep",
    "author": "Ash Birch",
    "reason": "Seals well, seen twice in clinic",
}


def programme(**changes: Any) -> JsonObject:
    """The programme with other values at the top; None takes a field away."""
    changed = deepcopy(PROGRAMME) | changes
    return {name: value for name, value in changed.items() if value is not None}


def changed_dose(**changes: Any) -> JsonObject:
    """The programme with fewer breaths in its first regimen."""
    document = programme(start="2031-03-09", changeReason="Tires early", **changes)
    document["regimen"][0]["dose"]["breaths"] = 8
    return document
