"""Small invented resources for tests of the record."""

from typing import Any

from service.fhir.json import JsonObject
from service.record import Actor

AUTHOR = Actor("Ilse Tern, physiotherapist")
SYSTEM = "https://clinic.example/session"


def observation(value: Any = 12, **other: Any) -> JsonObject:
    """A measured pressure, without the profile of a session."""
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "mask pressure"},
        "valueQuantity": {"value": value, "unit": "cm H2O"},
    } | other


def numbered(number: int | str, **other: Any) -> JsonObject:
    """An observation with a business identifier."""
    return observation(identifier=[{"system": SYSTEM, "value": str(number)}], **other)


def patient(**other: Any) -> JsonObject:
    return {"resourceType": "Patient", "name": [{"family": "Wren"}]} | other
