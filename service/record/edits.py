"""A patch applied to what is stored: whatever can go wrong with it, as an error of the record."""

from dataclasses import replace

from service.fhir.json import JsonObject
from service.fhir.outcome import Finding
from service.fhir.patch import MalformedPatchError, PatchError
from service.record.changes import Patch
from service.record.errors import Invalid, Malformed


def edited(stored: JsonObject, change: Patch) -> JsonObject:
    """The changed resource; it is not judged yet.

    Raises Malformed for a patch that makes no sense, or that would make another resource of this
    one; Invalid for one that cannot be applied to what is stored.
    """
    try:
        resource = change.edit(stored)
    except PatchError as error:
        kind = Malformed if isinstance(error, MalformedPatchError) else Invalid
        raise kind([located(error, change.place)]) from None
    for name in ("resourceType", "id"):
        if resource.get(name) != stored.get(name):
            told = f"A patch cannot change {name}."
            raise Malformed.at(f"{change.place or change.type}.{name}", told)
    return resource


def located(error: PatchError, place: str) -> Finding:
    """What is wrong with a patch; ``place``: of it within what the client sent."""
    finding = error.finding
    _, dot, rest = finding.expression.partition(".")
    return replace(finding, expression=f"{place}{dot}{rest}") if place else finding
