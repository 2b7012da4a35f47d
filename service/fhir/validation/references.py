"""What a Reference may point to: types read off the text, or found in the document."""

from typing import Any

from service.fhir.json import JsonObject
from service.fhir.structure import is_resource_type
from service.fhir.validation.scope import Address, Scope


def literal(reference: Any) -> str | None:
    """The text of ``Reference.reference``, None where there is none."""
    text = reference.get("reference") if isinstance(reference, dict) else None
    return text if isinstance(text, str) else None


def resolved(reference: Any, scope: Scope) -> Scope | None:
    """The resource in the document that a reference points to."""
    return scope.resolve(literal(reference))


def stated_type(reference: JsonObject) -> str | None:
    """The resource type a reference speaks of, where it can be read off without resolving it."""
    address = Address.of(literal(reference) or "")
    if address is not None and is_resource_type(address.type):
        return address.type
    kind = reference.get("type")
    if not isinstance(kind, str):
        return None
    return kind.removeprefix("http://hl7.org/fhir/StructureDefinition/")
