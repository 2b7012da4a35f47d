"""References to resources inside the data at hand, and beyond it by the scope's service."""

from typing import Any

from service.fhir.fhirpath.scope import Scope
from service.fhir.json import JsonObject


def resolved(reference: str, scope: Scope) -> JsonObject | None:
    """The resource that a reference names; None where it is not found.

    ``#id`` is contained in the root resource, ``#`` is the root resource itself; in a Bundle an
    entry is found by its ``fullUrl``, or by its type and id.
    """
    if reference.startswith("#"):
        return _contained(reference[1:], scope)
    if scope.root is not None and scope.root.get("resourceType") == "Bundle":
        found = _in_bundle(reference, scope.root)
        if found is not None:
            return found
    return None if scope.services.resolve is None else scope.services.resolve(reference)


def _contained(name: str, scope: Scope) -> JsonObject | None:
    for container in (scope.resource, scope.root):
        if container is None:
            continue
        if name == "":
            return scope.root
        for resource in _objects(container.get("contained")):
            if resource.get("id") == name:
                return resource
    return None


def _in_bundle(reference: str, bundle: JsonObject) -> JsonObject | None:
    local = reference.partition("/_history/")[0]
    for entry in _objects(bundle.get("entry")):
        resource = entry.get("resource")
        if type(resource) is dict and (
            entry.get("fullUrl") == reference
            or f"{resource.get('resourceType')}/{resource.get('id')}" == local
        ):
            return resource
    return None


def _objects(value: Any) -> list[JsonObject]:
    return [part for part in value if type(part) is dict] if type(value) is list else []
