"""Who wrote what, when and why: one Provenance for each unit that was committed."""

from collections.abc import Sequence
from datetime import datetime

from service.fhir.json import JsonObject
from service.record.bodies import instant_text
from service.record.changes import Actor, Written

_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
_ACTIVITIES = {"created": "CREATE", "updated": "UPDATE", "deleted": "DELETE"}


def provenance(
    written: Sequence[Written], by: Actor, reason: str | None, instant: datetime
) -> JsonObject:
    """A Provenance whose targets are exactly these versions.

    A unit that did more than one kind of thing is an UPDATE: of the record as a whole.
    """
    done = {one.done for one in written}
    activity = _ACTIVITIES[done.pop()] if len(done) == 1 else "UPDATE"
    resource: JsonObject = {
        "resourceType": "Provenance",
        "target": [{"reference": reference(one)} for one in written],
        "recorded": instant_text(instant),
        "activity": {"coding": [{"system": _OPERATION, "code": activity}]},
        "agent": [_agent(by)],
    }
    if reason:
        resource["reason"] = [{"text": reason}]
    return resource


def reference(version: Written) -> str:
    """The version-specific reference to a version."""
    return f"{version.type}/{version.id}/_history/{version.version}"


def _agent(by: Actor) -> JsonObject:
    who = {"reference": by.reference, "display": by.display}
    return {
        "type": {"coding": [{"system": _PARTICIPANT, "code": by.role}]},
        "who": {name: value for name, value in who.items() if value},
    }
