"""What a FHIRPath Patch puts into a resource, as JSON: typed values, and objects given in parts."""

from service.fhir.fhirpath import Element, TypeModel
from service.fhir.fhirpath.model import SYSTEM_OF
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.patch.copies import copied
from service.fhir.patch.errors import InapplicablePatchError
from service.fhir.patch.lists import ElementList, Slot
from service.fhir.patch.parameters import Content, Part


class Building:
    """Builds the values of one operation, which stands at ``place`` in the Parameters."""

    def __init__(self, model: TypeModel, place: str) -> None:
        self._model, self._place = model, place

    def built(self, element: Element, content: Content | tuple[Part, ...]) -> tuple[str, Content]:
        """The JSON property of an element, and the value as it stands there.

        Raises InapplicablePatchError for a type that the element cannot have.
        """
        if isinstance(content, Content):
            key = self._key(element, content.type)
            return key, Content(content.type, copied(content.value), copied(content.companion))
        if len(element.keys) > 1:
            raise self._fault(f"{element.name} may be of several types: give it as a typed value")
        key, type_ = next(iter(element.keys.items()))
        return key, Content(type_, self._object(type_, content))

    def _key(self, element: Element, type_: str) -> str:
        if len(element.keys) == 1:
            key, own = next(iter(element.keys.items()))
            if (own in SYSTEM_OF) != (type_ in SYSTEM_OF):
                raise self._fault(f"{element.name} is a {own}, not a {type_}")
            return key
        for key, own in element.keys.items():
            if own == type_:
                return key
        raise self._fault(f"{element.name} cannot be a {shown(type_)}")

    def _object(self, type_: str, parts: tuple[Part, ...]) -> JsonObject:
        elements = self._model.elements(type_)
        if elements is None or type_ in SYSTEM_OF:
            raise self._fault(f"a {type_} has no parts")
        made: JsonObject = {}
        for part in parts:
            element = elements.get(part.name)
            if element is None:
                told = f"{type_} has no element {shown(part.name)}"
                raise InapplicablePatchError(f"{told}.", part.place)
            slot = Slot(made, element)
            key_and_content = Building(self._model, part.place).built(element, part.content)
            if element.many:
                ElementList(slot).insert(None, key_and_content)
            elif slot.is_taken():
                raise InapplicablePatchError(f"{part.name} can be only one.", part.place)
            else:
                slot.put(key_and_content)
        return made

    def _fault(self, told: str) -> InapplicablePatchError:
        return InapplicablePatchError(f"The value does not fit: {told}.", self._place)
