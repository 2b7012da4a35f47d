"""Parameters whose values are those of others taken together, such as Observation's combo-code.

Where a parameter looks at exactly the places that several others of its kind look at, its rows
would be theirs once more. They are not kept twice: a question about it asks for those of the
others.
"""

from collections.abc import Iterable, Mapping

from service.fhir.search.declarations import Parameter
from service.fhir.search.ways import Way, parts_of, tree_of, ways_of

_NEVER = frozenset({"reference", "text"})
"""What resources refer to is asked for by name, parameter by parameter."""


def unions(type_: str, parameters: Iterable[Parameter]) -> dict[str, tuple[str, ...]]:
    """By name, the parameters of the type whose rows one has together; most have their own."""
    places = {one: _places(one, type_) for one in parameters if one.type not in _NEVER}
    return {
        one.name: together
        for one, own in places.items()
        if (together := _together(own, _alike(one, places)))
    }


def _places(parameter: Parameter, type_: str) -> frozenset[Way]:
    """Where a parameter looks; nowhere for one that is more than ways."""
    found: set[Way] = set()
    for tree in parts_of(tree_of(parameter.expression), type_):
        ways = ways_of(tree, type_)
        if ways is None:
            return frozenset()
        found.update(ways)
    return frozenset(found)


def _alike(one: Parameter, places: Mapping[Parameter, frozenset[Way]]) -> dict[str, frozenset[Way]]:
    """The places of those that make the same of a value and look at fewer, the most first."""
    kind = (one.type, one.declared, one.components)
    some = [
        other
        for other, own in places.items()
        if (other.type, other.declared, other.components) == kind and own and own < places[one]
    ]
    some.sort(key=lambda other: (-len(places[other]), other.name))
    return {other.name: places[other] for other in some}


def _together(wanted: frozenset[Way], alike: Mapping[str, frozenset[Way]]) -> tuple[str, ...]:
    names, rest = [], set(wanted)
    for name, own in alike.items():
        if own & rest:
            names.append(name)
            rest -= own
    return () if rest else tuple(sorted(names))
