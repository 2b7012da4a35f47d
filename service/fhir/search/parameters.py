"""Search parameters of our resource types, and the index rows of a resource.

The parameters are R4's own, declared in ``search_parameters.json``: name, type, paths of plain
element names, the types a reference may point to, and for contacts the system chosen.
``_id`` and ``_lastUpdated`` are declared for every type but give no rows: a store knows them.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from service.fhir.json import JsonObject
from service.fhir.search.rows import rows_of
from service.fhir.search.terms import IndexRow, Kind
from service.fhir.structure import Element, TypeFacts, type_facts


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one resource type.

    ``paths`` step through element names (``activity.detail.code``); a name of several types, such
    as ``effective``, means all of them that fit ``type``. ``where`` narrows by plain properties.
    """

    name: str
    type: Kind
    paths: tuple[str, ...]
    targets: tuple[str, ...] = ()
    where: tuple[tuple[str, str], ...] = ()


_EVERY_TYPE = (
    Parameter("_id", "token", ("id",)),
    Parameter("_lastUpdated", "date", ("meta.lastUpdated",)),
    Parameter("_profile", "uri", ("meta.profile",)),
    Parameter("_tag", "token", ("meta.tag",)),
)
_WITHOUT_ROWS = frozenset({"_id", "_lastUpdated"})


def _declared() -> dict[str, dict[str, Parameter]]:
    table = json.loads(Path(__file__).with_name("search_parameters.json").read_text("utf-8"))
    return {
        kind: {p.name: p for p in (*_EVERY_TYPE, *map(_parameter, rows))}
        for kind, rows in table.items()
    }


def _parameter(row: JsonObject) -> Parameter:
    return Parameter(
        name=row["name"],
        type=row["type"],
        paths=tuple(row["paths"]),
        targets=tuple(row.get("targets", ())),
        where=tuple(row.get("where", {}).items()),
    )


PARAMETERS: Mapping[str, Mapping[str, Parameter]] = _declared()
"""Search parameters by resource type and name."""

_COMMON = {parameter.name: parameter for parameter in _EVERY_TYPE}


def parameters_of(resource_type: str) -> Mapping[str, Parameter]:
    """The parameters of a type by name; for a type without its own, those that all have."""
    return PARAMETERS.get(resource_type, _COMMON)


def index_values(resource: JsonObject) -> list[IndexRow]:
    """The rows that the resource is found by, each once, in the order of the parameters."""
    rows: dict[IndexRow, None] = {}
    for parameter, paths in _paths_of(resource["resourceType"]):
        for path in paths:
            for value in _walk(resource, path.names):
                if _is_meant(parameter, value):
                    rows.update(dict.fromkeys(rows_of(parameter, path.type, value)))
    return list(rows)


@dataclass(frozen=True, slots=True)
class _Path:
    """JSON names to step through, and the FHIR type at the end."""

    names: tuple[str, ...]
    type: str


@lru_cache(maxsize=256)
def _paths_of(resource_type: str) -> list[tuple[Parameter, list[_Path]]]:
    facts = type_facts(resource_type)
    if facts is None:
        return []
    return [
        (parameter, [p for path in parameter.paths for p in _resolve(facts, path.split("."))])
        for name, parameter in parameters_of(resource_type).items()
        if name not in _WITHOUT_ROWS
    ]


def _resolve(facts: TypeFacts, steps: list[str]) -> Iterator[_Path]:
    for element in _elements(facts, steps[0]):
        if len(steps) == 1:
            yield _Path((element.name,), element.type)
            continue
        below = type_facts(element.type)
        for path in _resolve(below, steps[1:]) if below else ():
            yield _Path((element.name, *path.names), path.type)


def _elements(facts: TypeFacts, step: str) -> list[Element]:
    choice = facts.choices.get(step)
    if choice is not None:
        return [facts.elements[name] for name in sorted(choice.names)]
    return [facts.elements[step]]


def _walk(value: Any, names: tuple[str, ...]) -> Iterator[Any]:
    if isinstance(value, list):
        for item in value:
            yield from _walk(item, names)
    elif not names:
        if value is not None:
            yield value
    elif isinstance(value, dict) and names[0] in value:
        yield from _walk(value[names[0]], names[1:])


def _is_meant(parameter: Parameter, value: Any) -> bool:
    return all(isinstance(value, dict) and value.get(n) == v for n, v in parameter.where)
