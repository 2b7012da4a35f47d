"""What the fuzzer begins with: resources that are valid, and documents of our own.

Our own examples, one small resource of every other type, and, where the reference data lies beside
the project, the official examples of R4 (hl7.org/fhir/R4).
"""

import json
from collections import defaultdict
from pathlib import Path
from typing import Any

from service.resources import profiles_dir

Json = dict[str, Any]

_OFFICIAL = Path(__file__).parents[3] / "shared" / "conformance" / "examples"
_PERSON: Json = {"reference": "Patient/p"}
_THING: Json = {"coding": [{"system": "https://ward.example/codes", "code": "a"}], "text": "A"}
_CODING: Json = {"system": "https://ward.example/codes", "code": "a"}
_INSTANT = "2031-03-09T12:00:00.250+01:00"

_SMALL: dict[str, Json] = {
    "Patient": {
        "active": True,
        "name": [{"family": "Quill", "given": ["Ink", "Ö"], "use": "official"}],
        "identifier": [{"system": "https://ward.example/odd,sys", "value": "A,1|2$3\\4"}],
        "birthDate": "2024-02-29",
        "multipleBirthInteger": 2,
        "maritalStatus": {"text": "none"},
    },
    "RelatedPerson": {"patient": _PERSON, "name": [{"text": "Parent Quill"}]},
    "Practitioner": {"name": [{"family": "Lantern"}], "qualification": [{"code": _THING}]},
    "PractitionerRole": {"practitioner": {"reference": "Practitioner/p"}, "code": [_THING]},
    "Organization": {"name": "Harbour", "alias": ["H"], "partOf": {"display": "All"}},
    "CareTeam": {"name": "Harbour team", "subject": _PERSON, "status": "active"},
    "Condition": {
        "subject": _PERSON,
        "code": _THING,
        "onsetAge": {
            "value": 1.50,
            "unit": "a",
            "system": "http://unitsofmeasure.org",
            "code": "a",
        },
    },
    "Device": {"deviceName": [{"name": "Tube", "type": "other"}], "patient": _PERSON},
    "Observation": {
        "status": "final",
        "code": _THING,
        "subject": _PERSON,
        "effectiveDateTime": "2031-03",
        "valueQuantity": {
            "value": 95.50,
            "unit": "%",
            "system": "http://unitsofmeasure.org",
            "code": "%",
        },
        "component": [{"code": _THING, "valueInteger": 3}],
    },
    "Questionnaire": {
        "status": "draft",
        "url": "https://ward.example/q",
        "item": [{"linkId": "1", "text": "Coughing?", "type": "boolean"}],
    },
    "QuestionnaireResponse": {
        "status": "completed",
        "subject": _PERSON,
        "item": [{"linkId": "1", "answer": [{"valueBoolean": False}]}],
    },
    "DetectedIssue": {"status": "final", "patient": _PERSON, "code": _THING},
    "Flag": {"status": "active", "code": _THING, "subject": _PERSON},
    "Task": {"status": "requested", "intent": "order", "for": _PERSON, "code": _THING},
    "Communication": {"status": "completed", "subject": _PERSON, "sent": _INSTANT},
    "Group": {"type": "person", "actual": True, "member": [{"entity": _PERSON}]},
    "DocumentReference": {
        "status": "current",
        "subject": _PERSON,
        "content": [{"attachment": {"contentType": "text/plain", "data": "YQ=="}}],
    },
    "Binary": {"contentType": "text/plain", "data": "YQ=="},
    "List": {"status": "current", "mode": "working", "entry": [{"item": _PERSON}]},
    "Encounter": {"status": "finished", "class": _CODING, "subject": _PERSON},
    "Provenance": {
        "target": [_PERSON],
        "recorded": _INSTANT,
        "agent": [{"who": {"display": "Someone"}}],
    },
    "AuditEvent": {
        "type": _CODING,
        "recorded": _INSTANT,
        "agent": [{"requestor": False}],
        "source": {"observer": {"display": "Server"}},
    },
    "Subscription": {
        "status": "requested",
        "reason": "to know",
        "criteria": "Observation?status=final",
        "channel": {"type": "rest-hook", "endpoint": "https://ward.example/hook"},
    },
}


def resources() -> dict[str, list[Json]]:
    """Examples by type."""
    found: dict[str, list[Json]] = defaultdict(list)
    for type_, parts in _SMALL.items():
        found[type_].append({"resourceType": type_, "id": "p", **parts})
    ours = sorted((profiles_dir() / "examples" / "pass").glob("*.json"))
    for path in [*ours, *sorted(_OFFICIAL.glob("*.json"))]:
        if path.stat().st_size < 15_000:  # many requests, not long ones
            one = json.loads(path.read_text("utf-8"))
            found[one["resourceType"]].append(one)
    return dict(found)
