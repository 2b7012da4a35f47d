"""The search parameters of the types that a service keeps, and the index rows of a resource.

They are R4's own, from its SearchParameter resources, and whatever further ones are given. What
R4 defines and nobody can answer here is left out: ``_filter`` and ``_query`` have no expression,
positions are of type ``special``. ``_id`` and ``_lastUpdated`` give no rows: a store knows them.
"""

import hashlib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
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
from service.fhir.search.terms import IndexRow
from service.fhir.search.texts import CONTENT, NARRATIVE, text_rows
from service.fhir.search.unions import unions
from service.fhir.structure import specialises

ROWS = 1
"""Raise it when the rows of a resource change for another reason than its parameters."""

_WITHOUT_ROWS = frozenset({"_id", "_lastUpdated"})
_WITHOUT_CONTENT = frozenset({"AuditEvent", "Observation", "Provenance"})
"""Types that come in millions: beside their narrative, their words are not searched as a whole."""

ByType = Mapping[str, Mapping[str, Parameter]]


class SearchParameters:
    """What resources of the types that are kept are found by. Threads may share it."""

    def __init__(
        self, by_type: ByType, of: Iterable[JsonObject], refused: Iterable[str] = ()
    ) -> None:
        self._by_type = by_type
        self.resources: tuple[JsonObject, ...] = tuple(of)
        """The SearchParameter resources themselves."""
        self.refused: tuple[str, ...] = tuple(refused)
        """Which of the further ones are not served, and why."""
        self._extractions: dict[str, Extraction] = {}

    @classmethod
    def of(cls, types: Iterable[str], resources: Iterable[JsonObject] = ()) -> Self:
        """R4's parameters of the types, and those that further SearchParameters declare.

        Of these, what cannot be served or takes a name that is in use is ``refused``. Those about
        other types are passed over, and so are retired ones and R4's own.
        """
        types = sorted(set(types))
        served = _of_the_standard(types)
        known = tables.search_parameters()
        further = {
            one.get("url", ""): one
            for one in resources
            if one.get("status") != "retired" and one.get("url") not in known
        }
        refused = [told for one in further.values() for told in _add(served, one, known | further)]
        by_type = {type_: _with_unions(type_, named) for type_, named in served.by_type.items()}
        return cls(by_type, served.resources.values(), refused)

    @property
    def types(self) -> Collection[str]:
        """The types that are kept."""
        return self._by_type.keys()

    def of_type(self, type_: str) -> Mapping[str, Parameter]:
        """The parameters of a type by name; none for a type that is not kept."""
        return self._by_type.get(type_, {})

    def references(self, type_: str) -> list[str]:
        """The names of the parameters of a type that are references."""
        return [one.name for one in self.of_type(type_).values() if one.type == "reference"]

    def index(self, resource: JsonObject) -> list[IndexRow]:
        """The rows that the resource is found by, each once."""
        type_ = resource["resourceType"]
        extraction = self._extractions.get(type_)
        if extraction is None:
            extraction = self._extractions[type_] = self._extraction(type_)
        rows = extraction.rows(resource)
        named = self.of_type(type_)
        if NARRATIVE in named:
            rows.extend(text_rows(resource, content=CONTENT in named))
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
        return Extraction(
            type_,
            [
                one
                for one in named
                if one.name not in _WITHOUT_ROWS and one.type != "text" and not one.union
            ],
        )

    def __reduce__(self) -> Any:
        """Another process makes its extractions itself."""
        return type(self), (self._by_type, self.resources, self.refused)


class _Served:
    """Parameters by type and name, and the resources that declare them, by canonical."""

    def __init__(self, types: Collection[str]) -> None:
        self.by_type: dict[str, dict[str, Parameter]] = {type_: {} for type_ in types}
        self.resources: dict[str, JsonObject] = {}

    def bases(self, definition: JsonObject) -> Iterator[str]:
        """The types that are kept and that the parameter is about."""
        bases = definition["base"]
        return (t for t in self.by_type if any(specialises(t, base) for base in bases))


def _of_the_standard(types: Collection[str]) -> _Served:
    """R4 has composites of three parts and parameters that lead nowhere: these are not served."""
    served, known = _Served(types), tables.search_parameters()
    for one in known.values():
        for type_ in served.bases(one) if one["type"] in KINDS else ():
            try:
                parameter = declared(one, type_, known.get)
            except ParameterError:
                continue
            if parameter is not None:
                served.by_type[type_].setdefault(parameter.name, parameter)
                served.resources[one["url"]] = one
    for type_, named in served.by_type.items():
        named |= {one.name: one for one in _of_text(type_)}
    return served


def _of_text(type_: str) -> Iterator[Parameter]:
    """R4 defines them without an expression."""
    if specialises(type_, "DomainResource"):
        yield Parameter(NARRATIVE, "text", "string")
        if type_ not in _WITHOUT_CONTENT:
            yield Parameter(CONTENT, "text", "string", union=(CONTENT, NARRATIVE))


def _add(served: _Served, one: JsonObject, known: Mapping[str, JsonObject]) -> Iterator[str]:
    """Serve one more; why not, where it cannot be for one of its types or for any."""
    try:
        check_definition(one)
        found = [
            (type_, parameter)
            for type_ in served.bases(one)
            if (parameter := declared(one, type_, known.get)) is not None
        ]
        for type_, _ in found:
            _check_name(one, type_, served.by_type[type_])
    except ParameterError as error:
        yield str(error)
        return
    for type_, parameter in found:
        served.by_type[type_][parameter.name] = parameter
        served.resources[one.get("url", "")] = one


def _check_name(definition: JsonObject, type_: str, taken: Mapping[str, Parameter]) -> None:
    holder = taken.get(definition["code"])
    if holder is not None:
        told = f"{type_} has a parameter {holder.name} already ({holder.url})"
        raise ParameterError(definition, told)


def _with_unions(type_: str, named: Mapping[str, Parameter]) -> dict[str, Parameter]:
    found = unions(type_, named.values())
    return {
        name: replace(one, union=found[name]) if name in found else one
        for name, one in sorted(named.items())
    }
