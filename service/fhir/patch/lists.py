"""Elements in an object by their FHIRPath name, lists with the companions of their primitives."""

from dataclasses import dataclass
from typing import Any

from service.fhir.fhirpath import Element, TypeModel
from service.fhir.json import JsonObject
from service.fhir.patch.parameters import Content
from service.fhir.patch.places import element_of, pad


@dataclass(frozen=True, slots=True)
class Slot:
    """Where an element is or would be: in ``owner``, under one of its JSON properties."""

    owner: JsonObject
    element: Element

    @classmethod
    def of(cls, model: TypeModel, owner: JsonObject, type_: str, key: str) -> "Slot | None":
        """The slot that a JSON property belongs to; None where the type has no such element."""
        element = element_of(model, type_, key)
        return None if element is None else cls(owner, element)

    def is_taken(self) -> bool:
        return any(key in self.owner for key in self._properties())

    def clear(self) -> None:
        for key in self._properties():
            self.owner.pop(key, None)

    def put(self, content: tuple[str, Content]) -> None:
        """Set an element that is no list."""
        key, given = content
        if given.value is not None:
            self.owner[key] = given.value
        if given.companion is not None:
            self.owner[f"_{key}"] = given.companion

    def _properties(self) -> list[str]:
        return [name for key in self.element.keys for name in (key, f"_{key}")]


class ElementList:
    """A repeating element: its values and, for primitives, their companions kept in step."""

    def __init__(self, slot: Slot) -> None:
        self._owner = slot.owner
        self._key = next(iter(slot.element.keys))

    def __len__(self) -> int:
        return max(len(self._listed(self._key)), len(self._listed(self._beside)))

    def insert(self, number: int | None, content: tuple[str, Content]) -> None:
        """Put in before the element of this number; at the end for None."""
        length = len(self)
        place = length if number is None else number
        for key, value in self._both(content):
            if value is not None or key in self._owner:
                pad(self._owner, key, length).insert(place, value)

    def replace(self, number: int, content: tuple[str, Content]) -> None:
        length = len(self)
        for key, value in self._both(content):
            if value is not None or key in self._owner:
                pad(self._owner, key, length)[number] = value
                self._drop_if_bare(key)

    def move(self, source: int, destination: int) -> None:
        length = len(self)
        for key in (self._key, self._beside):
            if key in self._owner:
                listed = pad(self._owner, key, length)
                listed.insert(destination, listed.pop(source))

    @property
    def _beside(self) -> str:
        return f"_{self._key}"

    def _both(self, content: tuple[str, Content]) -> list[tuple[str, Any]]:
        given = content[1]
        return [(self._key, given.value), (self._beside, given.companion)]

    def _listed(self, key: str) -> list[Any]:
        held = self._owner.get(key)
        return held if isinstance(held, list) else []

    def _drop_if_bare(self, key: str) -> None:
        if all(part is None for part in self._owner[key]):
            del self._owner[key]
