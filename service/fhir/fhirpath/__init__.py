"""FHIRPath."""

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.expression import Expression, compile_expression
from service.fhir.fhirpath.items import Item
from service.fhir.fhirpath.model import Element, TypeModel
from service.fhir.fhirpath.scope import Scope, Services

__all__ = [
    "Element",
    "Expression",
    "FhirPathError",
    "Item",
    "Scope",
    "Services",
    "TypeModel",
    "compile_expression",
]
