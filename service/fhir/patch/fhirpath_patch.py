"""FHIRPath Patch (R4 fhirpatch.html): operations on elements that paths lead to.

- ``add`` puts a value under a name into the one element of the path; to a list at its end.
- ``insert`` and ``move`` are about the list that the path names: one name in one element.
- ``delete`` takes one element away, and nothing when there is none.
- ``replace`` puts a value in the place of the one element of the path.

Of a choice (``value[x]``) the path and the name say ``value``; the type of what is put there makes
it ``valueQuantity``. What comes out is not judged here: it is validated like an update.
"""

from collections.abc import Callable, Mapping
from typing import Any, Final

from service.fhir.fhirpath import Expression, FhirPathError, Item, TypeModel
from service.fhir.fhirpath.syntax import Member
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.patch.contents import Building
from service.fhir.patch.copies import copied
from service.fhir.patch.errors import InapplicablePatchError, PatchError
from service.fhir.patch.lists import ElementList, Slot
from service.fhir.patch.parameters import Content, Operation, operations_in
from service.fhir.patch.places import Twin

MAX_WORK: Final = 5_000_000
"""Operations of a patch times elements of the resource, at most."""


class FhirPathPatch:
    """A patch that was read and can be applied to any number of resources."""

    def __init__(self, parameters: Any, model: TypeModel) -> None:
        """``parameters``: the Parameters resource. Raises MalformedPatchError."""
        self._model = model
        self._operations = operations_in(parameters, model)

    def __call__(self, resource: JsonObject) -> JsonObject:
        """The patched resource; ``resource`` stays as it is. Raises PatchError."""
        work: JsonObject = copied(resource)
        for operation in self._operations:
            twin = Twin(work, self._model)
            if twin.size * len(self._operations) > MAX_WORK:
                told = "The resource is too large for so many operations."
                raise InapplicablePatchError(told, operation.place, "too-costly")
            _One(operation, twin, self._model).apply()
        return work


class _One:
    """One operation on one resource."""

    def __init__(self, operation: Operation, twin: Twin, model: TypeModel) -> None:
        self._operation, self._twin, self._model = operation, twin, model

    def apply(self) -> None:
        _APPLY[self._operation.kind](self)

    def add(self) -> None:
        operation = self._operation
        owner, type_ = self._object(self._one(operation.expression))
        slot = self._slot(owner, type_, operation.name or "")
        content = self._built(slot)
        if slot.element.many:
            ElementList(slot).insert(None, content)
        elif slot.is_taken():
            raise self._fault(f"{slot.element.name} is there already, and there can be only one")
        else:
            slot.put(content)

    def insert(self) -> None:
        slot = self._list()
        listed = ElementList(slot)
        if (self._operation.index or 0) > len(listed):
            raise self._fault(f"the list has {len(listed)} elements")
        listed.insert(self._operation.index, self._built(slot))

    def delete(self) -> None:
        found = self._items(self._operation.expression)
        if len(found) > 1:
            raise self._fault(f"{len(found)} elements match, one is expected")
        for item in found:
            place = self._twin.place_of(item)
            if place is None:
                raise self._fault("this is no element that can be changed")
            place.remove()

    def replace(self) -> None:
        place = self._twin.place_of(self._one(self._operation.expression))
        if place is None:
            raise self._fault("this is no element that can be changed")
        slot = Slot.of(self._model, place.owner, place.type, place.key)
        if slot is None:
            raise self._fault(f"{place.type} has no such element")
        content = self._built(slot)
        if place.number is None:
            slot.clear()
            slot.put(content)
        else:
            ElementList(slot).replace(place.number, content)

    def move(self) -> None:
        listed = ElementList(self._list())
        source, destination = self._operation.source or 0, self._operation.destination or 0
        if max(source, destination) >= len(listed):
            raise self._fault(f"the list has {len(listed)} elements")
        listed.move(source, destination)

    # -- where ----------------------------------------------------------------------------------

    def _list(self) -> Slot:
        """The list that the path names: its last step is a name in exactly one element."""
        expression = self._operation.expression
        if not isinstance(expression.tree, Member) or expression.tree.target is None:
            raise self._fault("the path has to end with the name of a list")
        self._items(expression)
        owners = Expression(expression.text, expression.tree.target, self._model)
        owner, type_ = self._object(self._one(owners))
        slot = self._slot(owner, type_, expression.tree.name)
        if not slot.element.many:
            raise self._fault(f"{slot.element.name} is no list")
        return slot

    def _slot(self, owner: JsonObject, type_: str, name: str) -> Slot:
        element = (self._model.elements(type_) or {}).get(name)
        if element is None:
            raise self._fault(f"{type_ or 'this element'} has no element {shown(name)}")
        return Slot(owner, element)

    def _object(self, item: Item) -> tuple[JsonObject, str]:
        """The original of an item, as something that elements can be put into."""
        if self._twin.is_whole(item):
            return self._twin.original, item.type
        place = self._twin.place_of(item)
        if place is None:
            raise self._fault("this is no element that can be changed")
        return place.object_within(), item.type

    def _one(self, expression: Expression) -> Item:
        found = self._items(expression)
        if len(found) != 1:
            raise self._fault(f"{len(found) or 'no'} elements match, exactly one is expected")
        return found[0]

    def _items(self, expression: Expression) -> list[Item]:
        whole = self._twin.resource
        type_ = str(whole.get("resourceType"))
        try:
            expression.check(type_)
            return expression.evaluate(whole, type_name=type_, resource=whole)
        except FhirPathError as error:
            raise self._fault(str(error)) from None

    # -- what -----------------------------------------------------------------------------------

    def _built(self, slot: Slot) -> tuple[str, Content]:
        """The JSON property under which the operation's value goes, and the value."""
        content = self._operation.content
        if content is None:  # the operations that need one have one
            raise self._fault("a value is expected")
        return Building(self._model, self._operation.place).built(slot.element, content)

    def _fault(self, told: str) -> PatchError:
        operation = self._operation
        told = f"{operation.kind} at {shown(operation.path)}: {told}."
        return InapplicablePatchError(told, operation.place)


_APPLY: Final[Mapping[str, Callable[[_One], None]]] = {
    "add": _One.add,
    "insert": _One.insert,
    "delete": _One.delete,
    "replace": _One.replace,
    "move": _One.move,
}
