"""From SearchParameter resources to what the search of one type of resource knows of them."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.fhir.fhirpath import FhirPathError
from service.fhir.fhirpath.syntax import Node as Tree
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.search.rows import maker
from service.fhir.search.terms import Kind
from service.fhir.search.ways import Way, parts_of, to_values, tree_of, ways_of
from service.fhir.structure import is_resource_type

KINDS: Mapping[str, Kind] = {
    "composite": "composite",
    "date": "date",
    "number": "quantity",
    "quantity": "quantity",
    "reference": "reference",
    "string": "string",
    "token": "token",
    "uri": "uri",
}
"""R4's type of a parameter to the kind of its rows; ``special`` ones are not served."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}", re.ASCII)
_PARTS = 2
FIRST_PARTS: frozenset[Kind] = frozenset({"token", "reference"})
"""What the first part of a composite may be: something that is met or not, no more and no less."""


class ParameterError(ValueError):
    """A SearchParameter that cannot be served; says which and why."""

    def __init__(self, definition: JsonObject, why: str) -> None:
        super().__init__(f"SearchParameter {definition.get('url', '(without url)')}: {why}")


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a composite: what it looks at within the element, and as what."""

    expression: str
    type: Kind
    declared: str


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of one resource type.

    ``type`` is the kind of its rows, ``declared`` the type that R4 gives it. ``targets`` are the
    types that a reference may lead to, empty for any; ``components`` the two parts of a composite.
    ``union`` names the parameters whose rows it has together, where it has none of its own.
    """

    name: str
    type: Kind
    declared: str
    url: str = ""
    expression: str = ""
    targets: tuple[str, ...] = ()
    components: tuple[Part, ...] = ()
    union: tuple[str, ...] = ()


Find = Callable[[str], JsonObject | None]
"""A SearchParameter by its canonical."""


def check_definition(definition: JsonObject) -> None:
    """Raises ParameterError for an operator's SearchParameter that nothing can be done with."""
    name, kind = definition.get("code"), definition.get("type")
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise ParameterError(definition, "its code has to be a name of letters, digits, - and _")
    if not isinstance(kind, str) or kind not in KINDS:
        raise ParameterError(definition, f"parameters of type {shown(kind)} are not served")
    if not isinstance(definition.get("expression"), str):
        raise ParameterError(definition, "it has no expression")
    bases = definition.get("base")
    for base in bases if isinstance(bases, list) and bases else [None]:
        if base not in ("Resource", "DomainResource") and not (
            isinstance(base, str) and is_resource_type(base)
        ):
            raise ParameterError(definition, f"its base {shown(base)} is no resource type")


def declared(definition: JsonObject, type_: str, find: Find) -> Parameter | None:
    """The parameter for resources of a type; None where its expression leads nowhere from there.

    Raises ParameterError.
    """
    try:
        trees = parts_of(tree_of(definition["expression"]), type_)
    except FhirPathError as error:
        raise ParameterError(definition, f"its expression cannot be read: {error}") from None
    if not trees:
        return None
    kind = KINDS[definition["type"]]
    components = _components(definition, find) if kind == "composite" else ()
    ways = [way for tree in trees for way in _ways(tree, type_)]
    if kind == "composite":
        _check_parts(definition, components, ways)
    else:
        _check_ways(definition, kind, type_, trees, ways)
    return Parameter(
        name=definition["code"],
        type=kind,
        declared=definition["type"],
        url=definition.get("url", ""),
        expression=definition["expression"],
        targets=_targets(definition, ways) if kind == "reference" else (),
        components=components,
    )


def _ways(tree: Tree, type_: str) -> list[Way]:
    return to_values(ways_of(tree, type_) or [])


def _check_ways(
    definition: JsonObject, kind: Kind, type_: str, trees: list[Tree], ways: list[Way]
) -> None:
    """Where it is known what an expression leads to, something there has to be searchable."""
    if any(ways_of(tree, type_) is None for tree in trees):
        return
    if not any(maker(kind, way.type, "") for way in ways):
        told = f"in {type_} its expression leads to nothing that a {definition['type']} can be"
        raise ParameterError(definition, told)


def _check_parts(definition: JsonObject, parts: tuple[Part, ...], ways: list[Way]) -> None:
    """Each part has to lead to something, from one of the places where the pairs are at least."""
    for part in parts:
        if ways and not any(part_ways(part, way.type) for way in ways):
            told = f"its part {part.expression} leads to nothing that a {part.declared} can be"
            raise ParameterError(definition, told)


def part_ways(part: Part, type_: str) -> list[Way]:
    """The ways of a part from an element of the type, as far as they end at what it can be."""
    ways = to_values(ways_of(tree_of(part.expression), type_) or [])
    return [way for way in ways if maker(part.type, way.type, "")]


def _targets(definition: JsonObject, ways: list[Way]) -> tuple[str, ...]:
    """What is declared, as far as the elements allow it."""
    said = definition.get("target", [])
    found: set[str] = set()
    for way in ways:
        if way.target is not None:
            found.add(way.target)
        elif way.element is not None and way.element.targets:
            found |= way.element.targets
        else:
            return tuple(sorted(said))
    return tuple(sorted(found & set(said) if said else found) or sorted(said))


def _components(definition: JsonObject, find: Find) -> tuple[Part, ...]:
    rows = definition.get("component")
    if not isinstance(rows, list) or len(rows) != _PARTS:
        raise ParameterError(definition, "a composite of two parts is expected")
    parts = []
    for row in rows:
        of = find(row["definition"]) if isinstance(row, dict) and "definition" in row else None
        if of is None or of.get("type") not in KINDS or of["type"] == "composite":
            raise ParameterError(definition, "it has a part that is not known here")
        parts.append(Part(_expression(definition, row), KINDS[of["type"]], of["type"]))
    if parts[0].type not in FIRST_PARTS:
        told = "the first part of a composite has to be a token or a reference"
        raise ParameterError(definition, told)
    return tuple(parts)


def _expression(definition: JsonObject, part: JsonObject) -> str:
    """Of a part. Raises ParameterError where it cannot be read."""
    text = part.get("expression")
    if not isinstance(text, str):
        raise ParameterError(definition, "a part of it has no expression")
    try:
        tree_of(text)
    except FhirPathError as error:
        told = f"the expression of a part cannot be read: {error}"
        raise ParameterError(definition, told) from None
    return text
