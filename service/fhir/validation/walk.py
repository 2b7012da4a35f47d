"""The base standard: a resource walked once against the structure of R4.

Checked on the way: unknown properties, the JSON kind of each value, cardinality, choices of one
type only, primitive formats, ``_name`` companions with their null padding, empty objects and
arrays, and the constraints and bindings of each element. What needs the whole document, such as
references and extensions, is gathered for later steps.
"""

from dataclasses import dataclass
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.primitives import CHECKS, FREE_TEXT
from service.fhir.structure import Element, TypeFacts, is_resource_type, type_facts
from service.fhir.validation.base_values import PLACES, value_faults
from service.fhir.validation.constraints import Constraints
from service.fhir.validation.items import Item, inner_scope
from service.fhir.validation.report import Report
from service.fhir.validation.scope import Scope


@dataclass(frozen=True, slots=True)
class FoundExtension:
    """An extension met on the way.

    ``names`` are the paths by which definitions may call the element that holds it, such as
    ``Patient.name`` and ``HumanName``; ``inside`` is the URL of the extension around it.
    """

    item: Item
    modifier: bool
    names: tuple[str, ...]
    owner: JsonObject
    inside: str | None = None


@dataclass(frozen=True, slots=True)
class FoundReference:
    """A Reference met on the way, and the element that holds it."""

    item: Item
    element: Element


class Walk:
    """One walk over one resource: what was found, and what was met."""

    def __init__(self, report: Report, definitions: Definitions, constraints: Constraints) -> None:
        self.report = report
        self.extensions: list[FoundExtension] = []
        self.references: list[FoundReference] = []
        self.profiled: list[tuple[Item, tuple[str, ...]]] = []
        self.scopes: list[Scope] = []
        self._definitions = definitions
        self._constraints = constraints
        self._faults = 0
        self._inside: list[Any] = []

    def resource(self, scope: Scope) -> None:
        """Check the resource of a scope."""
        kind = scope.type
        facts = type_facts(kind) if is_resource_type(kind) else None
        if facts is None:
            place = f"{scope.path}.resourceType" if scope.parent else ""
            found = shown(scope.resource.get("resourceType"))
            self._structure(place, f"found {found}, expected an R4 resource type", "type")
            return
        self.scopes.append(scope)
        self._object(Item.of_resource(scope), facts, (kind,))

    def refuse(self, value: Any, place: str) -> None:
        """Say that a value is no resource at all."""
        self._structure(place, f"found {shown(value)}, expected an R4 resource", "type")

    def _structure(self, path: str, diagnostics: str, key: str, code: str = "structure") -> None:
        self._faults += 1
        self.report.add("error", code, path, diagnostics, key)

    def _object(self, item: Item, facts: TypeFacts, names: tuple[str, ...],
                *, has_value: bool = False, element: Element | None = None) -> None:  # fmt: skip
        """Check an object; ``has_value``: the companion of a primitive that has a value itself."""
        value, path = item.value, item.path
        if not isinstance(value, dict):
            self._structure(path, f"found {shown(value)}, expected an object", "json-shape")
            return
        id_suffices = facts.is_resource or has_value
        if not (value.keys() if id_suffices else value.keys() - {"id"}):
            found = "an object with an id only" if value else "an empty object"
            self._structure(path, f"found {found}, expected content", "ele-1")
            return
        before = self._faults
        if facts.name == "Extension":
            self._inside.append(value.get("url"))
        for name, part in value.items():
            known = facts.elements.get(name)
            if known is not None:
                self._element(item, known, part, names)
            elif name.startswith("_"):
                self._companion_name(item, facts, name, names)
            elif name != "resourceType" or not facts.is_resource:
                self._structure(f"{path}.{name}", f"{facts.name} has no {name}", "unknown-element")
        if facts.name == "Extension":
            self._inside.pop()
        self._presence(value, facts, path)
        own = element.constraints if element is not None else ()
        self._constraints.check((*own, *facts.constraints), item, facts.name, self.report,
                                sound=self._faults == before)  # fmt: skip

    def _presence(self, value: JsonObject, facts: TypeFacts, path: str) -> None:
        for element in facts.required:
            if element.name not in value and f"_{element.name}" not in value:
                self._missing(path, element.name)
        for choice in facts.choices.values():
            present = [n for n in choice.names if n in value or f"_{n}" in value]
            if len(present) > 1:
                found = f"found {' and '.join(sorted(present))}, expected one type only"
                self._structure(f"{path}.{choice.path}", found, "choice")
            if choice.required and not present:
                self._missing(path, f"{choice.path}[x]")

    def _missing(self, path: str, name: str) -> None:
        self._structure(path, f"{path}.{name} is missing", "cardinality-min", "required")

    def _element(self, owner: Item, element: Element, value: Any, names: tuple[str, ...]) -> None:
        place = f"{owner.path}.{element.path}"
        inner = (*(f"{name}.{element.path}" for name in names), element.type)
        if not element.many:
            self._item(owner, element, value, place, inner)
        elif not isinstance(value, list):
            self._structure(place, f"found {shown(value)}, expected an array", "json-shape")
        elif not value:
            self._structure(place, "found an empty array", "ele-1")
        else:
            companions = owner.value.get(f"_{element.name}") if element.primitive else None
            for index, part in enumerate(value):
                if part is None and _has_companion(companions, index):
                    continue
                self._item(owner, element, part, f"{place}[{index}]", inner)

    def _item(
        self, owner: Item, element: Element, value: Any, place: str, names: tuple[str, ...]
    ) -> None:
        if element.type == "Resource":
            self._inner(owner, element, value, place)
            return
        item = Item(value, None, place, element.type, element.primitive, owner.scope)
        if element.primitive:
            self._primitive(item, element)
        else:
            facts = type_facts(element.type)
            assert facts is not None  # noqa: S101  # every type of an element is in the table
            self._object(item, facts, names, element=element)
        for severity, code, diagnostics, key in value_faults(item, element, self._definitions):
            self._faults += key == "required-binding" and severity == "error"
            self.report.add(severity, code, place + PLACES.get(key, ""), diagnostics, key)
        self._gather(owner, element, item, names)

    def _gather(self, owner: Item, element: Element, item: Item, names: tuple[str, ...]) -> None:
        if not isinstance(item.value, dict):
            return
        if element.type == "Extension":
            inside = self._inside[-1] if self._inside else None
            holder = tuple(name.rpartition(".")[0] for name in names[:-1])
            self.extensions.append(
                FoundExtension(
                    item, element.name == "modifierExtension", holder, owner.value, inside
                )
            )
        elif element.type == "Reference":
            self.references.append(FoundReference(item, element))
        if element.profiles:
            self.profiled.append((item, element.profiles))

    def _inner(self, owner: Item, element: Element, value: Any, place: str) -> None:
        if isinstance(value, dict):
            self.resource(inner_scope(owner, element.name, value, place))
        else:
            self._structure(place, f"found {shown(value)}, expected a resource", "json-shape")

    def _primitive(self, item: Item, element: Element) -> None:
        value = item.value
        expected = CHECKS[element.type](value)
        if expected is not None:
            hidden = isinstance(value, str) and element.type in FREE_TEXT
            found = f"{len(value)} characters of text" if hidden else shown(value)
            self._structure(item.path, f"found {found}, expected {expected}", "primitive", "value")
            return
        self._constraints.check(element.constraints, item, element.type, self.report, sound=True)

    def _companion_name(
        self, owner: Item, facts: TypeFacts, name: str, names: tuple[str, ...]
    ) -> None:
        element = facts.elements.get(name[1:])
        if element is None or not element.primitive:
            self._structure(
                f"{owner.path}.{name}", f"{facts.name} has no {name}", "unknown-element"
            )
            return
        companion, values = owner.value[name], owner.value.get(element.name)
        place = f"{owner.path}.{element.path}"
        inner = (*(f"{n}.{element.path}" for n in names), element.type)
        if not element.many:
            self._companion(owner, companion, values, place, inner)
        elif not isinstance(companion, list) or not companion:
            found = shown(companion) if companion else "an empty array"
            self._structure(place, f"found {found}, expected an array", "json-shape")
        else:
            self._companions(owner, name, values, place, inner)

    def _companions(
        self, owner: Item, name: str, values: Any, place: str, names: tuple[str, ...]
    ) -> None:
        companions = owner.value[name]
        if isinstance(values, list) and len(values) != len(companions):
            self._structure(place, f"{name} and {name[1:]} differ in length", "json-shape")
        listed = values if isinstance(values, list) else []
        for index, companion in enumerate(companions):
            value = listed[index] if index < len(listed) else None
            if companion is not None:
                self._companion(owner, companion, value, f"{place}[{index}]", names)
            elif index >= len(listed):
                self._structure(f"{place}[{index}]", "found nothing but null", "json-shape")

    def _companion(
        self, owner: Item, companion: Any, value: Any, place: str, names: tuple[str, ...]
    ) -> None:
        facts = type_facts("Element")
        assert facts is not None  # noqa: S101  # the base of every datatype
        item = Item(companion, None, place, "Element", False, owner.scope)
        self._object(item, facts, names, has_value=value is not None)


def _has_companion(companions: Any, index: int) -> bool:
    return isinstance(companions, list) and companions[index : index + 1] not in ([], [None])
