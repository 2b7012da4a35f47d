"""Environment variables: those of FHIRPath, those of R4, and the caller's own."""

from collections.abc import Callable
from typing import Any

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.items import Collection
from service.fhir.fhirpath.logic import NONE
from service.fhir.fhirpath.scope import Scope

_FIXED = {
    "ucum": "http://unitsofmeasure.org",
    "sct": "http://snomed.info/sct",
    "loinc": "http://loinc.org",
}
_CANONICAL_OF = {
    "vs-": "http://hl7.org/fhir/ValueSet/",
    "ext-": "http://hl7.org/fhir/StructureDefinition/",
}
"""``%`vs-name``` and ``%`ext-name``` (R4, fhirpath.html, "Additional variables")."""
_OF_THE_SCOPE: dict[str, Callable[[Scope], Collection]] = {
    "resource": lambda scope: scope.resource_node(scope.resource),
    "rootResource": lambda scope: scope.resource_node(scope.root),
    "context": lambda scope: scope.context,
}


def constant(name: str) -> str | None:
    """The String that ``%name`` always is; None for other variables."""
    for start, canonical in _CANONICAL_OF.items():
        if name.startswith(start):
            return canonical + name.removeprefix(start)
    return _FIXED.get(name)


def variable(name: str, at: int) -> Callable[[Collection, Scope], Collection]:
    """The closure of ``%name``. A name that nobody defined raises FhirPathError when evaluated."""
    if name in _OF_THE_SCOPE:
        found = _OF_THE_SCOPE[name]
        return lambda _, scope: found(scope)
    if (always := constant(name)) is not None:
        items: Collection = [always]
        return lambda _, __: items

    def own(_: Collection, scope: Scope) -> Collection:
        if name not in scope.variables:
            raise FhirPathError(f"there is no variable %{name}", at)
        return _collection(scope.variables[name], scope)

    return own


def _collection(value: Any, scope: Scope) -> Collection:
    if value is None:
        return NONE
    if type(value) is list:
        return [item for part in value for item in _collection(part, scope)]
    return scope.resource_node(value) if type(value) is dict else [value]
