"""The index rows of a resource: its parameters, made ready for one type of resource."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from service.fhir.fhirpath import FhirPathError, compile_expression
from service.fhir.json import JsonObject
from service.fhir.r4 import tables
from service.fhir.search.declarations import Parameter, Part, part_ways
from service.fhir.search.pairs import pair_rows
from service.fhir.search.references import local_reference
from service.fhir.search.rows import Take, maker
from service.fhir.search.terms import IndexRow
from service.fhir.search.ways import Places, Way, parts_of, to_values, tree_of, ways_of
from service.fhir.structure import Element
from service.fhir.type_model import R4

_SYSTEM_TYPES = {
    "System.Boolean": "boolean",
    "System.Date": "date",
    "System.DateTime": "dateTime",
    "System.Decimal": "decimal",
    "System.Integer": "integer",
    "System.String": "string",
}


class Extraction:
    """Makes the rows of resources of one type. Threads may share it."""

    def __init__(self, type_: str, parameters: Iterable[Parameter]) -> None:
        self._type = type_
        root, composites = Places(), dict[Way, list[Parameter]]()
        for parameter in parameters:
            for way, take in _takers(parameter, type_):
                if take is None:
                    composites.setdefault(way, []).append(parameter)
                else:
                    root.add(way.moves, take)
        for way, group in composites.items():
            root.add(way.moves, composite_taker(way.type, group))
        self._take = root.taker()

    def rows(self, resource: JsonObject) -> list[IndexRow]:
        """Everything that the resource is found by, each row once."""
        out: list[IndexRow] = []
        self._take(resource, out)
        return list(dict.fromkeys(out))


def _takers(parameter: Parameter, type_: str) -> Iterator[tuple[Way, Take | None]]:
    """The ways of a parameter and what takes the values there; None for a composite."""
    for tree in parts_of(tree_of(parameter.expression), type_):
        ways = ways_of(tree, type_)
        if ways is None:
            yield Way((), type_), general(parameter, type_)
            continue
        for way in to_values(ways):
            if parameter.type == "composite":
                yield Way(way.moves, way.type), None
            elif (take := _taker(parameter, way)) is not None:
                yield way, take


def general(parameter: Parameter, type_: str) -> Take:
    """The same by the FHIRPath engine alone, whatever the expression.

    What it cannot evaluate for a resource gives no rows. Bare codes are found without their system:
    the engine does not tell which element a value is of.
    """
    compiled = compile_expression(parameter.expression, R4)
    takes: dict[str, Take] = {}

    def take(resource: Any, out: list[Any]) -> None:
        try:
            items = compiled.evaluate(
                resource, type_name=type_, resource=resource, resolver=_outline
            )
        except FhirPathError:
            return
        for item in items:
            end = _SYSTEM_TYPES.get(item.type, item.type)
            if end not in takes:
                takes[end] = _at_end(parameter, end)
            if item.value is not None:
                takes[end](_plain(item.value), out)

    return take


def _at_end(parameter: Parameter, type_: str) -> Take:
    """What takes the values of a parameter from what its expression led to."""
    if parameter.type == "composite":
        return composite_taker(type_, [parameter])
    places = Places()
    for way in to_values([Way((), type_)]):
        found = _taker(parameter, way)
        if found is not None:
            places.add(way.moves, found)
    return places.taker()


def _plain(value: Any) -> Any:
    """A value of FHIRPath's own as JSON has it."""
    return value if isinstance(value, bool | int | str | dict) else str(value)


def _outline(reference: str) -> JsonObject | None:
    """What a reference says of the resource that it leads to: its type."""
    local = local_reference(reference)
    return None if local is None else {"resourceType": local[0], "id": local[1]}


def _taker(parameter: Parameter, way: Way) -> Take | None:
    return maker(parameter.type, way.type, parameter.name, systems=_systems(way.element))


def composite_taker(type_: str, parameters: Sequence[Parameter]) -> Take:
    """What takes the pairs of several composites from elements of one type.

    Parts that they share are looked at once for each element.
    """
    distinct = list(dict.fromkeys(part for one in parameters for part in one.components))
    takes = [_within(type_, part) for part in distinct]
    pairs = [
        (one.name, distinct.index(one.components[0]), distinct.index(one.components[1]))
        for one in parameters
    ]

    def take(value: Any, out: list[Any]) -> None:
        seen: list[list[Any] | None] = [None] * len(takes)

        def rows(part: int) -> list[Any]:
            found = seen[part]
            if found is None:
                found = seen[part] = []
                takes[part](value, found)
            return found

        for name, first, second in pairs:
            values = rows(second)
            if values:
                out.extend(pair_rows(name, rows(first), values))

    return take


def _within(type_: str, part: Part) -> Take:
    """What takes the values of one part from an element of this type."""
    places = Places()
    for way in part_ways(part, type_):
        take = maker(part.type, way.type, "", systems=_systems(way.element), plain=True)
        if take is not None:
            places.add(way.moves, take)
    return places.taker()


def _systems(element: Element | None) -> Mapping[str, str] | None:
    """The systems of bare codes: known where every code of the bound set is of one system."""
    if element is None or element.type != "code" or element.binding is None:
        return None
    if element.binding.strength != "required":
        return None
    return _systems_of(element.binding.value_set)


@lru_cache(maxsize=512)
def _systems_of(value_set: str) -> Mapping[str, str]:
    listed = tables.value_sets().get(value_set) or {}
    found: dict[str, str] = {}
    twice: set[str] = set()
    for system, codes in listed.items():
        for code in codes if codes is not None else tables.code_systems().get(system) or ():
            if code in found:
                twice.add(code)
            found[code] = system
    return {code: system for code, system in found.items() if code not in twice}
