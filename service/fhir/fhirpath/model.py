"""What the compiler has to know of the R4 types, and what it makes of it.

``TypeModel`` is the question; a structure table answers it. A backbone element is a type named by
its path, such as ``Observation.component``.
"""

from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple, Protocol

from service.fhir.fhirpath.errors import FhirPathError

SYSTEM_OF = {
    "boolean": "Boolean", "decimal": "Decimal", "integer": "Integer", "positiveInt": "Integer",
    "unsignedInt": "Integer", "date": "Date", "dateTime": "DateTime", "instant": "DateTime",
    "time": "Time", "string": "String", "code": "String", "id": "String", "markdown": "String",
    "xhtml": "String", "uri": "String", "url": "String", "canonical": "String", "oid": "String",
    "uuid": "String", "base64Binary": "String",
}  # fmt: skip
"""The R4 primitives and the FHIRPath type whose values each holds (R4, fhirpath.html)."""
SYSTEM_TYPES = frozenset(
    {"Boolean", "String", "Integer", "Decimal", "Date", "DateTime", "Time", "Quantity", "Any"}
)
DYNAMIC = frozenset({"Resource", "DomainResource"})
"""Declared types whose instances say themselves what they are."""
UNKNOWN = ""
"""The type of what a table does not describe; its elements are found by their names alone."""


class Element(NamedTuple):
    """One element: its JSON property or, for a choice, properties, each with its type.

    ``keys`` of ``value[x]`` is ``{"valueQuantity": "Quantity", ...}``.
    """

    name: str
    keys: Mapping[str, str]
    many: bool


class Step(NamedTuple):
    """A JSON property and its type; ``beside`` is the companion's name where it is primitive."""

    key: str
    beside: str | None
    type: str
    dynamic: bool


def step_to(key: str, of: str) -> Step:
    """The step to a property of this type."""
    return Step(key, "_" + key if of in SYSTEM_OF else None, of, of in DYNAMIC)


class TypeModel(Protocol):
    """Facts of R4 by type name; hashable (by identity will do)."""

    def elements(self, type_name: str) -> Mapping[str, Element] | None:
        """Elements of a type by name, inherited ones included; None for an unknown type."""
        ...

    def base(self, type_name: str) -> str | None:
        """The type that this one specialises, None at the root or for an unknown type."""
        ...

    def is_type(self, type_name: str) -> bool:
        """Whether R4 has such a resource, datatype or primitive, described here or not."""
        ...

    def __hash__(self) -> int: ...


class TypeName(NamedTuple):
    """A type as an expression names it, resolved: ``fhir`` and ``system`` are names or None."""

    fhir: str | None
    system: str | None


class Types:
    """A type model with its answers at hand."""

    def __init__(self, model: TypeModel) -> None:
        self._model = model
        self._elements: dict[str, Mapping[str, Element] | None] = {}
        self._steps: dict[str, Mapping[str, tuple[Step, ...]] | None] = {}
        self._properties: dict[str, Mapping[str, Step]] = {}
        self._ancestry: dict[str, frozenset[str]] = {}

    def elements(self, type_name: str) -> Mapping[str, Element] | None:
        """As the model says, remembered."""
        try:
            return self._elements[type_name]
        except KeyError:
            found = self._elements[type_name] = self._model.elements(type_name)
            return found

    def element(self, type_name: str, name: str) -> Element | None:
        """The element of a known type, None where the type is unknown or has none."""
        elements = self.elements(type_name)
        return None if elements is None else elements.get(name)

    def steps(self, type_name: str) -> Mapping[str, tuple[Step, ...]] | None:
        """The properties behind each element of a type, by element name; None if unknown."""
        try:
            return self._steps[type_name]
        except KeyError:
            elements = self.elements(type_name)
            found = (
                None
                if elements is None
                else {
                    name: tuple(step_to(key, of) for key, of in element.keys.items())
                    for name, element in elements.items()
                }
            )
            self._steps[type_name] = found
            return found

    def properties(self, type_name: str) -> Mapping[str, Step]:
        """The same by JSON property; empty for an unknown type."""
        found = self._properties.get(type_name)
        if found is None:
            groups = (self.steps(type_name) or {}).values()
            found = {step.key: step for group in groups for step in group}
            self._properties[type_name] = found
        return found

    def ancestry(self, type_name: str) -> frozenset[str]:
        """The type and every type it specialises."""
        found = self._ancestry.get(type_name)
        if found is None:
            chain, step = [type_name], self._model.base(type_name)
            while step is not None:
                chain.append(step)
                step = self._model.base(step)
            found = self._ancestry[type_name] = frozenset(chain)
        return found

    def is_type(self, name: str) -> bool:
        """Whether R4 has a type of this name."""
        return self._model.is_type(name)

    def resolve(self, namespace: str | None, name: str, at: int) -> TypeName:
        """A type specifier; without a namespace FHIR's types come first, then System's."""
        fhir = name if namespace in (None, "FHIR") and self.is_type(name) else None
        system = name if namespace in (None, "System") and name in SYSTEM_TYPES else None
        if fhir is None and system is None and not (namespace == "System" and self.is_type(name)):
            shown = name if namespace is None else f"{namespace}.{name}"
            raise FhirPathError(f"there is no type {shown}", at)
        return TypeName(fhir, system)


@lru_cache(maxsize=16)
def types_of(model: TypeModel) -> Types:
    """The shared answers for a model; models are told apart by identity."""
    return Types(model)
