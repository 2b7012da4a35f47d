"""The things an evaluation handles.

A collection is a list. Its items are ``Node`` (an element of a resource: raw JSON and its type) or
values of FHIRPath's own types: bool, int, Decimal, str, ``Temporal``, ``Quantity``, and
``TypeInfo``, what ``type()`` answers.
"""

from dataclasses import dataclass
from decimal import Decimal
from typing import Any, NamedTuple, TypeAlias

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.model import SYSTEM_OF
from service.fhir.fhirpath.quantity import Quantity, from_element
from service.fhir.fhirpath.temporal import Temporal, parse_temporal


class Node:
    """An element of a resource.

    ``value`` is its JSON (None for a primitive that has only extensions), ``type`` its R4 type,
    ``companion`` the object beside a primitive (``_birthDate``).
    """

    __slots__ = ("companion", "type", "value")

    def __init__(self, value: Any, type_name: str, companion: Any = None) -> None:
        self.value, self.type, self.companion = value, type_name, companion

    def __repr__(self) -> str:
        return f"Node({self.type})"


@dataclass(frozen=True, slots=True)
class TypeInfo:
    """The answer of ``type()``."""

    namespace: str
    name: str


Value: TypeAlias = bool | int | Decimal | str | Temporal | Quantity | TypeInfo
Collection: TypeAlias = list[Any]


class Item(NamedTuple):
    """One item of a result.

    ``value`` is raw JSON for an element (a primitive without a value: None) and a Python value for
    FHIRPath's own types; ``type`` is an R4 type, or ``System.`` and a FHIRPath type;
    ``companion`` is the object with a primitive's id and extensions.
    """

    value: Any
    type: str
    companion: Any = None


_SYSTEM_NAMES: dict[type, str] = {
    bool: "Boolean",
    int: "Integer",
    Decimal: "Decimal",
    str: "String",
    Quantity: "Quantity",
    TypeInfo: "TypeInfo",
}


def system_type(value: Any) -> str:
    """The FHIRPath type of a value that is no node."""
    return value.kind if type(value) is Temporal else _SYSTEM_NAMES[type(value)]


def as_item(item: Any) -> Item:
    """An item as callers see it."""
    if type(item) is Node:
        return Item(item.value, item.type, item.companion)
    return Item(item, f"System.{system_type(item)}")


def plain(item: Any) -> Any:
    """The FHIRPath value of an item: of a primitive its value, None where it has none.

    A complex element is returned as it is. Raises FhirPathError where a primitive holds what its
    type does not allow.
    """
    if type(item) is not Node:
        return item
    kind = SYSTEM_OF.get(item.type)
    if kind is None or item.value is None:
        return item if kind is None else None
    return primitive_value(item.value, kind)


def primitive_value(value: Any, kind: str) -> Any:
    """A JSON value as the FHIRPath type ``kind``."""
    actual = type(value)
    if kind == "String" and actual is str:
        return value
    if kind in ("Date", "DateTime", "Time") and actual is str:
        found = parse_temporal(kind, value)
        if found is not None:
            return found
    elif kind == "Boolean" and actual is bool:
        return value
    elif kind == "Decimal" and actual in (int, Decimal):
        return Decimal(value)
    elif kind == "Integer" and actual in (int, Decimal):
        return value
    raise FhirPathError(f"an element holds what is no {kind}")


def as_quantity(item: Any) -> Any:
    """A FHIR Quantity as FHIRPath's, anything else as it is.

    The subtypes of Quantity (Age, Duration and the like) have the same elements.
    """
    if type(item) is Node and item.type in QUANTITIES:
        return from_element(item.value)
    return plain(item)


QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration"})
"""R4's Quantity and the types that specialise it."""
