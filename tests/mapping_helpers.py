"""Programmes through the mapping and through JSON text, for the tests of its laws."""

import hashlib
from typing import Any

from service.fhir.json import read, write
from service.mapping.programme import ProgrammeResources

Json = dict[str, Any]


def ids(type_: str, key: str) -> str:
    """The same id for the same part, so that two runs can be compared."""
    return hashlib.sha256(f"{type_} {key}".encode()).hexdigest()[:32]


def other_ids(type_: str, key: str) -> str:
    """Ids of a later version of the plan; the child, the team and the conditions are the same."""
    if type_ in ("Patient", "Practitioner", "CareTeam", "Condition"):
        return ids(type_, key)
    return ids(type_, f"later {key}")


def through_text(resource: Json) -> Json:
    """The resource as it is after being written and read."""
    again: Json = read(write(resource))
    return again


def stored(resources: ProgrammeResources) -> dict[str, Json]:
    """The resources by ``Type/id``, each written and read once."""
    return {
        f"{resource['resourceType']}/{resource['id']}": through_text(resource)
        for resource in (*resources.parties, *resources.of_version())
    }
