"""Where elements stand in a resource, so that a path's result can be changed.

A FHIRPath result says what an element holds, not where. So paths are evaluated on a twin of the
resource in which every element can be told apart: objects by themselves, primitives by a companion
(``_status``) of their own, which holds nothing unless the resource had one. The twin remembers for
each of these where its original stands.
"""

from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any

from service.fhir.fhirpath import Element, Item, TypeModel
from service.fhir.fhirpath.model import DYNAMIC
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.patch.errors import InapplicablePatchError


@dataclass(frozen=True, slots=True)
class Place:
    """An element's place: a property of ``owner``, an object of R4 type ``type``.

    ``number`` is None for a property that holds no list; ``outer`` is the place of ``owner``, None
    for the resource itself.
    """

    owner: JsonObject
    type: str
    key: str
    number: int | None
    outer: "Place | None"

    @property
    def beside(self) -> str:
        """The property that holds ids and extensions of primitives."""
        return f"_{self.key}"

    def remove(self) -> None:
        """Take the element away, with its companion, and whatever that leaves empty."""
        for key in (self.key, self.beside):
            if self.number is None:
                self.owner.pop(key, None)
            elif isinstance(listed := self.owner.get(key), list) and self.number < len(listed):
                del listed[self.number]
                if all(part is None for part in listed):
                    del self.owner[key]
        if not self.owner and self.outer is not None:
            self.outer._lose(self.owner)

    def _lose(self, emptied: JsonObject) -> None:
        """Take away the element, or its companion alone, once nothing is left in it."""
        if self._at(self.key) is emptied:
            self.remove()
        elif self.number is None:
            del self.owner[self.beside]
        else:
            self.owner[self.beside][self.number] = None

    def object_within(self) -> JsonObject:
        """The element itself, or the companion of a primitive, made where there was none."""
        held = self._at(self.key)
        if isinstance(held, dict):
            return held
        companion = self._at(self.beside)
        if isinstance(companion, dict):
            return companion
        made: JsonObject = {}
        if self.number is None:
            self.owner[self.beside] = made
        else:
            pad(self.owner, self.beside, len(self.owner[self.key]))[self.number] = made
        return made

    def _at(self, key: str) -> Any:
        held = self.owner.get(key)
        if self.number is None:
            return held
        return held[self.number] if isinstance(held, list) and self.number < len(held) else None


class Twin:
    """A twin of ``resource``; ``size`` counts its elements."""

    def __init__(self, resource: JsonObject, model: TypeModel) -> None:
        self._model = model
        self._places: dict[int, Place] = {}
        self._types: dict[int, str] = {}
        self.original = resource
        self.resource = self._object(resource, str(resource.get("resourceType")), None)

    @property
    def size(self) -> int:
        return len(self._places)

    def place_of(self, item: Item) -> Place | None:
        """Where the original of an item stands; None for the resource and for computed values."""
        marked = item.value if isinstance(item.value, dict) else item.companion
        return self._places.get(id(marked))

    def is_whole(self, item: Item) -> bool:
        """Whether the item is the resource itself."""
        return item.value is self.resource

    def _object(self, value: JsonObject, type_: str, outer: Place | None) -> JsonObject:
        types = {
            key: of
            for element in (self._model.elements(type_) or {}).values()
            for key, of in element.keys.items()
        }
        made: JsonObject = {}
        for key, held in value.items():
            if key == "resourceType" or (key[:1] == "_" and key[1:] in value):
                made.setdefault(key, held)
                continue
            place = Place(value, type_, key.removeprefix("_"), None, outer)
            if key[:1] == "_":
                self._companions(made, place)
            elif _is_primitive(held):
                made[key] = held
                self._companions(made, place)
            else:
                made[key] = self._complex(held, place, types.get(key, ""))
        return made

    def _complex(self, held: Any, place: Place, of: str) -> Any:
        if isinstance(held, list):
            return [
                self._kept(part, replace(place, number=number), of)
                for number, part in enumerate(held)
            ]
        return self._kept(held, place, of)

    def _companions(self, made: JsonObject, place: Place) -> None:
        """Gives every primitive under a property a companion that tells it apart."""
        held, beside = place.owner.get(place.key), place.owner.get(place.beside)
        if not isinstance(held, list) and not isinstance(beside, list):
            made[place.beside] = self._kept(beside or {}, place, "Element")
            return
        values = held if isinstance(held, list) else []
        companions = beside if isinstance(beside, list) else []
        made[place.beside] = [
            self._kept(companion or {}, replace(place, number=number), "Element")
            for number, (_, companion) in enumerate(zip_longest(values, companions))
        ]

    def _kept(self, value: Any, place: Place, of: str) -> Any:
        if not isinstance(value, dict):
            return value
        named = value.get("resourceType")
        type_ = named if of in DYNAMIC and isinstance(named, str) else of
        made = self._object(value, type_, place)
        self._places[id(made)] = place
        return made


def pad(owner: JsonObject, key: str, length: int) -> list[Any]:
    """The list under a property, filled with null up to ``length``."""
    listed = owner.setdefault(key, [])
    if not isinstance(listed, list):
        raise InapplicablePatchError(f"What stands under {shown(key)} is no list.")
    listed.extend([None] * (length - len(listed)))
    return listed


def element_of(model: TypeModel, type_: str, key: str) -> Element | None:
    """The element of a type that a JSON property belongs to."""
    for element in (model.elements(type_) or {}).values():
        if key in element.keys:
            return element
    return None


def _is_primitive(held: Any) -> bool:
    if isinstance(held, list):
        return not any(isinstance(part, (dict, list)) for part in held)
    return not isinstance(held, dict)
