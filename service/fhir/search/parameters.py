"""The search parameters of the types that a service keeps, and the index rows of a resource.

They are R4's own, from its SearchParameter resources, and whatever further ones are given. What
R4 defines and nobody can answer here is left out: ``_filter`` and ``_query`` have no expression,
positions are of type ``special``. ``_id`` and ``_lastUpdated`` give no rows: a store knows them.
"""

import hashlib
import json
from pathlib import Path
from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import cached_property
from typing import Any, Self

from service.fhir.json import JsonObject, write
from service.fhir.r4 import tables
from service.fhir.search.declarations import (
    KINDS,
    Parameter,
    ParameterError,
    check_definition,
    declared,
)
from service.fhir.search.extraction import Extraction
from service.fhir.search.terms import IndexRow, TokenRow
from service.fhir.search.texts import all_text, narrative_text, words
from service.fhir.structure import specialises

ROWS = 1
"""Raise it when the rows of a resource change for another reason than its parameters."""

_WITHOUT_ROWS = frozenset({"_id", "_lastUpdated"})
_WITHOUT_TEXT = frozenset({"AuditEvent", "Binary", "Observation", "Provenance"})
"""Types that come in millions or hold no prose: their words are not searched as a whole."""
_TEXT = (Parameter("_content", "text", "string"), Parameter("_text", "text", "string"))


class SearchParameters:
    """What resources of the types that are kept are found by. Threads may share it."""

    def __init__(self, by_type: Mapping[str, Mapping[str, Parameter]], of: list[JsonObject]):
        self._by_type = by_type
        self.resources: tuple[JsonObject, ...] = tuple(of)
        """The SearchParameter resources themselves."""
        self._extractions: dict[str, Extraction] = {}

    @classmethod
    def of(cls, types: Iterable[str], resources: Iterable[JsonObject] = ()) -> Self:
        """R4's parameters of the types, and those that further SearchParameters declare.

        Raises ParameterError, which names it, for one of these that cannot be served or takes a
        name that is in use. Those about other types are passed over, and so are retired ones.
        """
        types = sorted(set(types))
        further = [one for one in resources if one.get("status") != "retired"]
        for one in further:
            check_definition(one)
        known = tables.search_parameters() | {one["url"]: one for one in further if "url" in one}
        by_type, served = _of_the_standard(types)
        for one in further:
            for type_ in _bases(one, types):
                parameter = declared(one, type_, known.get)
                if parameter is None:
                    continue
                _check_name(one, type_, by_type[type_])
                by_type[type_][parameter.name] = parameter
                served[one["url"]] = one
        return cls(by_type, list(served.values()))

    @property
    def types(self) -> Collection[str]:
        """The types that are kept."""
        return self._by_type.keys()

    def of_type(self, type_: str) -> Mapping[str, Parameter]:
        """The parameters of a type by name; none for a type that is not kept."""
        return self._by_type.get(type_, {})

    def index(self, resource: JsonObject) -> list[IndexRow]:
        """The rows that the resource is found by, each once."""
        type_ = resource["resourceType"]
        extraction = self._extractions.get(type_)
        if extraction is None:
            extraction = self._extractions[type_] = self._extraction(type_)
        rows = extraction.rows(resource)
        if "_content" in self.of_type(type_):
            rows.extend(_texts(resource))
        return rows

    @cached_property
    def digest(self) -> str:
        """Another one whenever the rows of some resource could be others."""
        told = sorted(
            f"{type_} {one!r}" for type_, named in self._by_type.items() for one in named.values()
        )
        return hashlib.sha256(write([ROWS, *told])).hexdigest()

    def _extraction(self, type_: str) -> Extraction:
        named = self.of_type(type_).values()
        return Extraction(type_, [one for one in named if one.name not in _WITHOUT_ROWS])

    def __reduce__(self) -> Any:
        """Another process makes its extractions itself."""
        return type(self), (self._by_type, list(self.resources))


def _of_the_standard(
    types: Collection[str],
) -> tuple[dict[str, dict[str, Parameter]], dict[str, JsonObject]]:
    by_type: dict[str, dict[str, Parameter]] = {type_: {} for type_ in types}
    served: dict[str, JsonObject] = {}
    known = tables.search_parameters()
    for one in known.values():
        for type_ in _bases(one, types) if one["type"] in KINDS else ():
            parameter = _standard(one, type_, known)
            if parameter is not None:
                by_type[type_].setdefault(parameter.name, parameter)
                served[one["url"]] = one
    for type_, named in by_type.items():
        if type_ not in _WITHOUT_TEXT:
            named |= {one.name: one for one in _TEXT}
    return {type_: dict(sorted(named.items())) for type_, named in by_type.items()}, served


def _standard(one: JsonObject, type_: str, known: Mapping[str, JsonObject]) -> Parameter | None:
    """R4 has composites of three parts and parameters that lead nowhere: these are not served."""
    try:
        return declared(one, type_, known.get)
    except ParameterError:
        return None


def _bases(definition: JsonObject, types: Collection[str]) -> Iterator[str]:
    """The types that are kept and that the parameter is about."""
    return (t for t in types if any(specialises(t, base) for base in definition["base"]))


def _check_name(definition: JsonObject, type_: str, taken: Mapping[str, Parameter]) -> None:
    holder = taken.get(definition["code"])
    if holder is not None:
        raise ParameterError(
            definition, f"{type_} has a parameter {holder.name} already ({holder.url})"
        )


def _texts(resource: JsonObject) -> Iterator[TokenRow]:
    """Every word once, as a token: a search for several words has a condition for each."""
    for name, text in (("_text", narrative_text(resource)), ("_content", all_text(resource))):
        for word in dict.fromkeys(words(text)):
            yield TokenRow(name, "", word)


_KEPT = (
    "AuditEvent", "Binary", "CarePlan", "CareTeam", "CodeSystem", "Communication", "ConceptMap",
    "Condition", "Consent", "DetectedIssue", "Device", "DeviceRequest", "DocumentReference",
    "Encounter", "Flag", "Goal", "Group", "List", "Measure", "MeasureReport", "Observation",
    "OperationDefinition", "Organization", "Patient", "Practitioner", "PractitionerRole",
    "Provenance", "Questionnaire", "QuestionnaireResponse", "RelatedPerson", "SearchParameter",
    "ServiceRequest", "StructureDefinition", "Subscription", "Task", "ValueSet",
)  # fmt: skip
_STANDARD = SearchParameters.of(_KEPT)
PARAMETERS: Mapping[str, Mapping[str, Parameter]] = {
    type_: {
        name: one for name, one in _STANDARD.of_type(type_).items()
        if one.type not in ("composite", "text")
    }
    for type_ in json.loads(Path(__file__).with_name("search_parameters.json").read_text("utf-8"))
}


def parameters_of(resource_type: str) -> Mapping[str, Parameter]:
    return PARAMETERS.get(resource_type) or _STANDARD.of_type(resource_type)


def index_values(resource: JsonObject) -> list[IndexRow]:
    return _STANDARD.index(resource)
