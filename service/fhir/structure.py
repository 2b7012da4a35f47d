"""The structure of R4 resources and datatypes, as facts.

Read once per type, on first use, from the field declarations of ``fhir.resources`` (package
``R4B``; for the types used here its elements equal those of 4.0.1, which a test checks). Where its
short lists of codes are cut off or absent, ``bindings.json`` beside this file holds the
codes of the R4 binding (terminologies.html), and the targets where 4.0.1 has fewer.
"""

import json
import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from fhir.resources.R4B import get_fhir_model_class

_BINDINGS = json.loads(Path(__file__).with_name("bindings.json").read_text("utf-8"))
_NOT_IN_R4 = frozenset({"Extension.valueCodeableReference", "Extension.valueRatioRange"})
_NEW_IN_R4B = frozenset(
    [
        "AdministrableProductDefinition", "Citation", "ClinicalUseDefinition", "EvidenceReport",
        "Ingredient", "ManufacturedItemDefinition", "MedicinalProductDefinition",
        "NutritionProduct", "PackagedProductDefinition", "RegulatedAuthorization",
        "SubscriptionStatus", "SubscriptionTopic", "SubstanceDefinition",
    ]
)  # fmt: skip
_WRAPPERS = (typing.Union, types.UnionType, list)


@dataclass(frozen=True, slots=True)
class ConceptBinding:
    """Codes of one system that a CodeableConcept should hold; ``codes`` None means any of it."""

    strength: str
    system: str
    codes: frozenset[str] | None


@dataclass(frozen=True, slots=True)
class Element:
    """One property of an object: its JSON name, FHIRPath name, type and bounds.

    ``type`` is a primitive's or datatype's R4 name, ``Resource`` for any resource, or the name of
    a backbone such as ``ObservationComponent``. For a choice, ``path`` is ``value`` where ``name``
    is ``valueQuantity``. ``codes`` is the required binding of a code, ``concept`` the binding of a
    CodeableConcept where one is known, ``targets`` the types referred to.
    """

    name: str
    path: str
    type: str
    primitive: bool
    many: bool
    required: bool
    choice: bool
    codes: frozenset[str] | None = None
    concept: ConceptBinding | None = None
    targets: frozenset[str] | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """An element of several types, such as ``Observation.value[x]``."""

    path: str
    names: frozenset[str]
    required: bool


@dataclass(frozen=True, slots=True)
class TypeFacts:
    """The elements of one type by JSON name; ``required`` leaves the choices out.

    A backbone is a type without a name in the standard, such as that of Observation.component.
    """

    name: str
    is_resource: bool
    is_backbone: bool
    elements: dict[str, Element]
    required: tuple[Element, ...]
    choices: dict[str, Choice]


def is_resource_type(name: object) -> bool:
    """Whether ``name`` is a concrete resource type of R4 known here."""
    if not isinstance(name, str) or name in _NEW_IN_R4B or not name.isidentifier():
        return False
    facts = type_facts(name) if len(name) <= 64 else None
    return facts is not None and facts.is_resource


@lru_cache(maxsize=1024)
def type_facts(name: str) -> TypeFacts | None:
    """Facts of a resource, datatype or backbone (``ObservationComponent``); None if unknown."""
    try:
        model = get_fhir_model_class(name)
    except ValueError:
        return None
    elements = {element.name: element for element in _elements(model)}
    return TypeFacts(
        name=name,
        is_resource=_is_resource(model),
        is_backbone=model.__module__.rsplit(".", 1)[1] != name.lower(),
        elements=elements,
        required=tuple(e for e in elements.values() if e.required and not e.choice),
        choices=_choices(elements),
    )


def _is_resource(model: Any) -> bool:
    names = {base.__name__ for base in model.__mro__}
    return "Resource" in names and model.__name__ not in {"Resource", "DomainResource"}


def _elements(model: Any) -> Iterator[Element]:
    owner = model.__name__
    for field_name, field in model.model_fields.items():
        name = field.alias or field_name
        facts = field.json_schema_extra or {}
        if name.startswith("_") or not facts.get("element_property"):
            continue
        if f"{owner}.{name}" not in _NOT_IN_R4:
            yield _element(owner, name, field, facts)
    if owner == "Extension":
        yield Element("valueMeta", "value", "Meta", False, False, False, True)


def _element(owner: str, name: str, field: Any, facts: dict[str, Any]) -> Element:
    type_name, primitive, many = _type_of(field.annotation)
    choice: str | None = facts.get("one_of_many")
    targets = _BINDINGS["targets"].get(f"{owner}.{name}", facts.get("enum_reference_types"))
    required = facts.get("element_required") or facts.get("one_of_many_required")
    return Element(
        name=name,
        path=choice or name,
        type=type_name,
        primitive=primitive,
        many=many,
        required=bool(required) or field.is_required(),
        choice=choice is not None,
        codes=_codes(f"{owner}.{name}", facts.get("enum_values")),
        concept=_concept(f"{owner}.{name}"),
        targets=None if not targets or "Resource" in targets else frozenset(targets),
    )


def _codes(place: str, listed: list[str] | None) -> frozenset[str] | None:
    codes = _BINDINGS["code"].get(place, listed)
    # The library's lists end with "+" where the published short form was cut.
    return None if codes is None or "+" in codes else frozenset(codes)


def _concept(place: str) -> ConceptBinding | None:
    row = _BINDINGS["concept"].get(place)
    if row is None:
        return None
    codes = row.get("codes")
    return ConceptBinding(
        row["strength"], row["system"], None if codes is None else frozenset(codes)
    )


def _choices(elements: dict[str, Element]) -> dict[str, Choice]:
    names: dict[str, list[Element]] = {}
    for element in elements.values():
        if element.choice:
            names.setdefault(element.path, []).append(element)
    return {
        path: Choice(path, frozenset(e.name for e in group), any(e.required for e in group))
        for path, group in names.items()
    }


def _type_of(annotation: Any) -> tuple[str, bool, bool]:
    """Type name, whether it is primitive, whether it repeats."""
    many = False
    while (origin := typing.get_origin(annotation)) in _WRAPPERS:
        many = many or origin is list
        annotation = next(a for a in typing.get_args(annotation) if a is not type(None))
    if annotation is bool:
        return "boolean", True, many
    if origin is typing.Annotated:
        marker = type(typing.get_args(annotation)[-1]).__name__
        return marker[0].lower() + marker[1:], True, many
    return annotation._model_klass.rsplit(".", 1)[1], False, many
