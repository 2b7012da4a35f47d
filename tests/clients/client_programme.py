"""One invented child's programme as an integration engineer sends it: plain FHIR, no document.

Made from the examples that ship with our profiles; each call gives a family of its own, so that
clients that share a server do not meet.
"""

import json
from datetime import datetime, timedelta
from typing import Any

from service.resources import profiles_dir

Json = dict[str, Any]

CHILDREN = "https://clinic.example/children"
DIARY = "https://clinic.example/diary"
PROGRAMMES = "https://airway-programmes.example/fhir/programme"
SESSIONS = 500

_DOSE: Json = {
    "url": "https://airway-programmes.example/fhir/StructureDefinition/dose",
    "extension": [
        {"url": "basis", "valueCode": "cycles"},
        {"url": "cycles", "valuePositiveInt": 6},
        {"url": "breaths", "valuePositiveInt": 10},
    ],
}


def transaction(mark: str) -> Json:
    """Patient, Practitioner, CareTeam, Goal, ServiceRequest and CarePlan, joined by urn:uuid."""
    members = [
        {
            "resourceType": "Patient",
            "identifier": [{"system": CHILDREN, "value": f"PEBBLE-{mark}"}],
            "name": [{"family": f"Invented{mark}", "given": ["Pebble"]}],
            "birthDate": "2023-05-04",
        },
        {"resourceType": "Practitioner", "name": [{"family": f"Lantern{mark}"}]},
        {"resourceType": "CareTeam", "name": f"Harbour {mark}"},
        _example("goal-sessions"),
        _example("regimen-minimal"),
        _example("plan-minimal"),
    ]
    members[4]["extension"].append(_DOSE)
    members[5]["activity"] = [{"reference": {"reference": "ServiceRequest/regimen-minimal"}}]
    members[5]["goal"] = [{"reference": "Goal/goal-sessions"}]
    text = json.dumps(members)
    text = text.replace("pebble-home", f"home-{mark}").replace('"PEBBLE-1"', f'"PEBBLE-{mark}"')
    known = (
        "Patient/child-pebble",
        "Practitioner/physio-lantern",
        "CareTeam/team-harbour",
        "Goal/goal-sessions",
        "ServiceRequest/regimen-minimal",
        "CarePlan/plan-minimal",
    )
    for number, reference in enumerate(known):
        text = text.replace(f'"{reference}"', f'"{_address(number)}"')
    entries = [
        {
            "fullUrl": _address(number),
            "resource": {name: part for name, part in member.items() if name != "id"},
            "request": {"method": "POST", "url": member["resourceType"]},
        }
        for number, member in enumerate(json.loads(text))
    ]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def sessions(patient: str, mark: str) -> Json:
    """500 home sessions of the child, two a day, as one batch."""
    example = _example("session-minimal")
    first = datetime.fromisoformat("2031-03-02T07:05:00+00:00")
    entries = []
    for number in range(SESSIONS):
        session = {name: part for name, part in example.items() if name != "id"} | {
            "identifier": [{"system": DIARY, "value": f"{mark}-{number:03}"}],
            "subject": {"reference": patient},
            "effectivePeriod": {"start": (first + timedelta(hours=12 * number)).isoformat()},
        }
        entries.append(
            {"resource": session, "request": {"method": "POST", "url": "Observation"}},
        )
    return {"resourceType": "Bundle", "type": "batch", "entry": entries}


def made(answer: Json, type_: str) -> str:
    """``Type/id`` of what a transaction answer says was made."""
    places = [entry["response"]["location"] for entry in answer["entry"]]
    (place,) = (place for place in places if f"{type_}/" in place)
    return f"{type_}/{place.split(f'{type_}/')[1].split('/')[0]}"


def _address(number: int) -> str:
    return f"urn:uuid:5d1f0f5e-9d36-4d1e-8c43-6a7c3f0d2a0{number}"


def _example(name: str) -> Json:
    found: Json = json.loads((profiles_dir() / "examples" / "pass" / f"{name}.json").read_text())
    return found
