"""The repetitions of an element in an object, each with its place, concrete type and resource."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.structure import Element, TypeFacts, type_facts
from service.fhir.validation.scope import Scope


@dataclass(frozen=True, slots=True)
class Item:
    """One repetition: its value, the ``_name`` companion of a primitive, place and type.

    ``scope`` is the resource it stands in; for a resource, its own.
    """

    value: Any
    companion: Any
    path: str
    type: str
    primitive: bool
    scope: Scope

    @classmethod
    def of_resource(cls, scope: Scope) -> "Item":
        """A whole resource as an item."""
        return cls(scope.resource, None, scope.path, scope.type, False, scope)

    def content(self) -> JsonObject:
        """The object whose properties are the item's children."""
        holder = self.companion if self.primitive else self.value
        return holder if isinstance(holder, dict) else {}

    def facts(self) -> TypeFacts | None:
        """Facts of the item's type; a primitive's children are those of Element."""
        return type_facts("Element" if self.primitive else self.type)


def elements_named(facts: TypeFacts, name: str) -> list[Element]:
    """The properties meant by ``name``: one, or every type of ``value[x]`` or ``value``."""
    element = facts.elements.get(name)
    if element is not None:
        return [element]
    choice = facts.choices.get(name.removesuffix("[x]"))
    return [facts.elements[n] for n in sorted(choice.names)] if choice else []


def items_of(owner: Item, elements: list[Element]) -> list[Item]:
    """All repetitions present in ``owner``, in order."""
    content = owner.content()
    return [item for element in elements for item in _items(owner, content, element)]


def _items(owner: Item, content: JsonObject, element: Element) -> Iterator[Item]:
    value = content.get(element.name)
    companion = content.get(f"_{element.name}") if element.primitive else None
    if value is None and companion is None:
        return
    place = f"{owner.path}.{element.path}"
    if not element.many:
        yield _item(owner, element, value, companion, place)
        return
    values = value if isinstance(value, list) else []
    companions = companion if isinstance(companion, list) else []
    for index in range(max(len(values), len(companions))):
        one = values[index] if index < len(values) else None
        other = companions[index] if index < len(companions) else None
        yield _item(owner, element, one, other, f"{place}[{index}]")


def _item(owner: Item, element: Element, value: Any, companion: Any, place: str) -> Item:
    if element.type == "Resource" and isinstance(value, dict):
        return Item.of_resource(inner_scope(owner, element.name, value, place))
    return Item(value, companion, place, element.type, element.primitive, owner.scope)


def inner_scope(owner: Item, name: str, value: JsonObject, place: str) -> Scope:
    """The scope of a resource that stands in ``owner`` as its element ``name``."""
    if name == "contained":
        return Scope(value, place, owner.scope, contained=True)
    if owner.type == "Bundle.entry" and owner.scope.type == "Bundle":
        scope = owner.scope.entry_of(value)
        if scope is not None:
            return scope
    return Scope(value, place, owner.scope)
