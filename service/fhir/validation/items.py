"""The repetitions of an element in an object, each with its place and concrete type."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.structure import Element, TypeFacts


@dataclass(frozen=True, slots=True)
class Item:
    """One repetition: its value, the ``_name`` companion of a primitive, place and type."""

    value: Any
    companion: Any
    path: str
    type: str
    primitive: bool

    def content(self) -> JsonObject:
        """The object whose properties are the item's children."""
        holder = self.companion if self.primitive else self.value
        return holder if isinstance(holder, dict) else {}


def elements_named(facts: TypeFacts, name: str) -> list[Element]:
    """The properties a profile means by ``name``: one, or every type of ``value[x]``."""
    if name.endswith("[x]"):
        choice = facts.choices.get(name[:-3])
        return [facts.elements[n] for n in sorted(choice.names)] if choice else []
    element = facts.elements.get(name)
    return [element] if element else []


def items_of(owner: JsonObject, elements: list[Element], path: str) -> list[Item]:
    """All repetitions present in ``owner``, in order."""
    return [item for element in elements for item in _items(owner, element, path)]


def _items(owner: JsonObject, element: Element, path: str) -> Iterator[Item]:
    value = owner.get(element.name)
    companion = owner.get(f"_{element.name}") if element.primitive else None
    if value is None and companion is None:
        return
    place = f"{path}.{element.path}"
    if not element.many:
        yield Item(value, companion, place, element.type, element.primitive)
        return
    values = value if isinstance(value, list) else []
    companions = companion if isinstance(companion, list) else []
    for index in range(max(len(values), len(companions))):
        yield Item(
            values[index] if index < len(values) else None,
            companions[index] if index < len(companions) else None,
            f"{place}[{index}]",
            element.type,
            element.primitive,
        )
