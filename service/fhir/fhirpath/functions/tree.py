"""Tree navigation (FHIRPath N1, section 5.8)."""

from service.fhir.fhirpath.functions.registry import function
from service.fhir.fhirpath.items import Collection
from service.fhir.fhirpath.navigation import append_children, descendants
from service.fhir.fhirpath.scope import Scope


@function("children")
def _children(items: Collection, scope: Scope) -> Collection:
    found: Collection = []
    for item in items:
        append_children(found, item, scope.types)
    return found


@function("descendants")
def _descendants(items: Collection, scope: Scope) -> Collection:
    return descendants(items, scope.types)
