"""R4's types as the FHIRPath compiler asks for them."""

from collections.abc import Mapping
from functools import cache

from service.fhir.fhirpath.model import Element as PathElement
from service.fhir.r4 import tables
from service.fhir.structure import type_facts


class R4Types:
    """The committed tables behind the compiler's questions about types."""

    @staticmethod
    @cache
    def elements(type_name: str) -> Mapping[str, PathElement] | None:
        """Elements of a type by name, those of choices together; None for an unknown type."""
        facts = type_facts(type_name)
        if facts is None:
            return None
        keys: dict[str, dict[str, str]] = {}
        many: dict[str, bool] = {}
        for element in facts.elements.values():
            keys.setdefault(element.path, {})[element.name] = element.type
            many[element.path] = element.many
        return {name: PathElement(name, keys[name], many[name]) for name in keys}

    @staticmethod
    @cache
    def base(type_name: str) -> str | None:
        """The type that this one specialises."""
        owner, _, inner = type_name.partition(".")
        if inner:
            row = tables.types().get(owner)
            return "BackboneElement" if row and row["kind"] == "resource" else "Element"
        row = tables.types().get(owner)
        return None if row is None else row.get("base")

    @staticmethod
    def is_type(type_name: str) -> bool:
        """Whether R4 has such a resource, datatype or primitive."""
        return type_name in tables.types()


R4 = R4Types()
