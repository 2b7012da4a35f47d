"""The base standard: a resource walked once against the structure of R4.

Checked: unknown properties, the JSON kind of each value, cardinality, choices of one type only,
primitive formats, ``_name`` companions with their null padding, empty objects and arrays, required
codes, Extension with a value or extensions but not both (ext-1), a Quantity code with its system
(qty-3) and what can be known of its UCUM code. On the way the walk gathers what later steps look
at: extensions and the resources inside others.
"""

from dataclasses import dataclass, field
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.outcome import Finding, Severity, shown
from service.fhir.primitives import CHECKS, FREE_TEXT
from service.fhir.structure import Element, TypeFacts, is_resource_type, type_facts
from service.fhir.units import UCUM, ucum_fault
from service.fhir.validation.coded import concept_findings

_QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration"})


@dataclass(frozen=True, slots=True)
class FoundExtension:
    """An extension met on the way, and whether it stood among the modifiers."""

    value: JsonObject
    path: str
    modifier: bool


@dataclass(slots=True)
class Walk:
    """One walk over one resource: what was found, and what was met."""

    findings: list[Finding] = field(default_factory=list)
    extensions: list[FoundExtension] = field(default_factory=list)
    resources: list[tuple[JsonObject, str]] = field(default_factory=list)

    def resource(self, value: Any, path: str = "") -> None:
        """Check a resource of any type; ``path`` is where it stands inside another."""
        kind = value.get("resourceType") if isinstance(value, dict) else None
        if not isinstance(kind, str) or not is_resource_type(kind):
            place = f"{path}.resourceType" if path else ""
            self._add(
                place, "structure", f"found {shown(kind)}, expected an R4 resource type", "type"
            )
            return
        facts = type_facts(kind)
        assert facts is not None  # noqa: S101  # is_resource_type has just found it
        self.resources.append((value, path or kind))
        self._object(value, facts, path or kind)

    def _add(
        self, path: str, code: str, diagnostics: str, key: str, severity: Severity = "error"
    ) -> None:
        self.findings.append(Finding(severity, code, path, diagnostics, key))

    def _object(self, value: Any, facts: TypeFacts, path: str, *, has_value: bool = False) -> None:
        """Check an object; ``has_value``: the companion of a primitive that has a value itself."""
        if not isinstance(value, dict):
            self._add(path, "structure", f"found {shown(value)}, expected an object", "json-shape")
            return
        id_suffices = facts.is_resource or has_value
        if not (value.keys() if id_suffices else value.keys() - {"id"}):
            found = "an object with an id only" if value else "an empty object"
            self._add(path, "structure", f"found {found}, expected content", "ele-1")
            return
        for name, part in value.items():
            element = facts.elements.get(name)
            if element is not None:
                self._element(value, element, part, path)
            elif name.startswith("_"):
                self._companion_name(value, facts, name, path)
            elif name != "resourceType" or not facts.is_resource:
                self._add(
                    f"{path}.{name}", "structure", f"{facts.name} has no {name}", "unknown-element"
                )
        self._presence(value, facts, path)
        if facts.name in _QUANTITIES:
            self._quantity(value, path)

    def _presence(self, value: JsonObject, facts: TypeFacts, path: str) -> None:
        for element in facts.required:
            if element.name not in value and f"_{element.name}" not in value:
                self._missing(path, element.name)
        for choice in facts.choices.values():
            present = [n for n in choice.names if n in value or f"_{n}" in value]
            if len(present) > 1:
                self._add(
                    f"{path}.{choice.path}",
                    "structure",
                    f"found {' and '.join(sorted(present))}, expected one type only",
                    "choice",
                )
            if choice.required and not present:
                self._missing(path, f"{choice.path}[x]")
        if facts.name == "Extension" and ("extension" in value) == any(
            name.lstrip("_").startswith("value") for name in value
        ):
            self._add(path, "invariant", "expected a value or extensions, not both", "ext-1")

    def _missing(self, path: str, name: str) -> None:
        self._add(path, "required", f"{path}.{name} is missing", "cardinality-min")

    def _element(self, owner: JsonObject, element: Element, value: Any, path: str) -> None:
        place = f"{path}.{element.path}"
        if not element.many:
            self._item(element, value, place)
            return
        if not isinstance(value, list):
            self._add(place, "structure", f"found {shown(value)}, expected an array", "json-shape")
        elif not value:
            self._add(place, "structure", "found an empty array", "ele-1")
        else:
            companions = owner.get(f"_{element.name}") if element.primitive else None
            for index, item in enumerate(value):
                if item is None and _has_companion(companions, index):
                    continue
                self._item(element, item, f"{place}[{index}]")

    def _item(self, element: Element, value: Any, place: str) -> None:
        if element.primitive:
            self._primitive(element, value, place)
        elif element.type == "Resource":
            self.resource(value, place)
        elif element.type == "Extension":
            self._extension(value, place, modifier=element.name == "modifierExtension")
        else:
            facts = type_facts(element.type)
            assert facts is not None  # noqa: S101  # every type of an element has a model
            self._object(value, facts, place)
            if isinstance(value, dict) and (element.concept or element.targets):
                self.findings.extend(concept_findings(element, value, place))

    def _primitive(self, element: Element, value: Any, place: str) -> None:
        expected = CHECKS[element.type](value)
        if expected is not None:
            hidden = isinstance(value, str) and element.type in FREE_TEXT
            found = f"{len(value)} characters of text" if hidden else shown(value)
            self._add(place, "value", f"found {found}, expected {expected}", "primitive")
        elif element.codes is not None and value not in element.codes:
            self._add(
                place,
                "code-invalid",
                f"found {shown(value)}, expected one of {', '.join(sorted(element.codes))}",
                "required-binding",
            )

    def _extension(self, value: Any, place: str, *, modifier: bool) -> None:
        facts = type_facts("Extension")
        assert facts is not None  # noqa: S101  # a datatype of R4
        self._object(value, facts, place)
        if isinstance(value, dict):
            self.extensions.append(FoundExtension(value, place, modifier))

    def _companion_name(self, owner: JsonObject, facts: TypeFacts, name: str, path: str) -> None:
        element = facts.elements.get(name[1:])
        companion = owner[name]
        if element is None or not element.primitive:
            self._add(
                f"{path}.{name}", "structure", f"{facts.name} has no {name}", "unknown-element"
            )
            return
        place = f"{path}.{element.path}"
        if not element.many:
            self._companion(companion, owner.get(element.name), place)
            return
        values = owner.get(element.name)
        if not isinstance(companion, list) or not companion:
            found = shown(companion) if companion else "an empty array"
            self._add(place, "structure", f"found {found}, expected an array", "json-shape")
            return
        if isinstance(values, list) and len(values) != len(companion):
            self._add(place, "structure", f"{name} and {name[1:]} differ in length", "json-shape")
        listed = values if isinstance(values, list) else []
        for index, item in enumerate(companion):
            if item is not None:
                value = listed[index] if index < len(listed) else None
                self._companion(item, value, f"{place}[{index}]")

    def _companion(self, companion: Any, value: Any, place: str) -> None:
        facts = type_facts("Element")
        assert facts is not None  # noqa: S101  # the base of every datatype
        self._object(companion, facts, place, has_value=value is not None)

    def _quantity(self, value: JsonObject, path: str) -> None:
        code, system = value.get("code"), value.get("system")
        if code is not None and system is None:
            self._add(path, "invariant", "the code of the unit has no system", "qty-3")
        elif system == UCUM and isinstance(code, str):
            expected = ucum_fault(code)
            if expected is not None:
                self._add(
                    f"{path}.code",
                    "code-invalid",
                    f"found {shown(code)}, expected {expected}",
                    "ucum",
                )


def _has_companion(companions: Any, index: int) -> bool:
    return isinstance(companions, list) and companions[index : index + 1] not in ([], [None])
