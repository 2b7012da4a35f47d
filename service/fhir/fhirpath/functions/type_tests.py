"""``is``, ``as`` and ``ofType`` (FHIRPath N1, section 6.3).

``is`` takes subtypes. ``as`` and ``ofType`` take subtypes of complex types, but of primitives the
very type: the official suite has ``gender.as(string)`` empty, and R4's own constraints name
canonical, uri and url apart; FHIRPath's own type takes every primitive that becomes it in use (R4
fhirpath.html), as profiles write ``value as String``. As a function ``as`` refuses several items
(N1); as an operator it takes those that fit, since R4's search parameters apply it to elements that
repeat.
"""

from typing import Any

from service.fhir.fhirpath.items import Collection, Node, system_type
from service.fhir.fhirpath.logic import NONE, boolean, single
from service.fhir.fhirpath.model import SYSTEM_OF, TypeName, Types


def is_of(items: Collection, wanted: TypeName, types: Types) -> Collection:
    """Whether the one item is of the type or of a subtype."""
    item = single(items)
    return NONE if item is None else boolean(_is(item, wanted, types))


def of_type(items: Collection, wanted: TypeName, types: Types) -> Collection:
    """The items that are of the type."""
    return [item for item in items if _fits(item, wanted, types)]


def cast(items: Collection, wanted: TypeName, types: Types) -> Collection:
    """The one item, if it is of the type."""
    single(items)
    return of_type(items, wanted, types)


def _is(item: Any, wanted: TypeName, types: Types) -> bool:
    if type(item) is Node:
        return wanted.fhir is not None and wanted.fhir in types.ancestry(item.type)
    return wanted.system is not None and wanted.system in (system_type(item), "Any")


def _fits(item: Any, wanted: TypeName, types: Types) -> bool:
    if type(item) is Node and item.type in SYSTEM_OF:
        if wanted.fhir is None:
            return SYSTEM_OF[item.type] == wanted.system
        return item.type == wanted.fhir
    return _is(item, wanted, types)
