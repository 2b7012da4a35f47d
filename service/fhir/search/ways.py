"""Where the expression of a search parameter leads, for one type of resource.

Most expressions of R4 are plain ways through known elements, with a choice of type or a simple
condition here and there. Such a way is settled from the type table before any data is seen, and
then walked on raw JSON. What has no such form is left to the FHIRPath engine.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from service.fhir.fhirpath.parser import parse
from service.fhir.fhirpath.syntax import Binary, Call, Index, Literal, Member, TypeTest, Unary
from service.fhir.fhirpath.syntax import Node as Tree
from service.fhir.search.references import may_be_of
from service.fhir.structure import Element, is_primitive, specialises, type_facts

Take = Callable[[Any, list[Any]], None]
"""Adds the rows of a value to a list."""


@dataclass(frozen=True, slots=True)
class Step:
    """To a property, by its JSON name."""

    key: str
    many: bool


@dataclass(frozen=True, slots=True)
class Only:
    """Only objects that meet a condition go on."""

    holds: Callable[[dict[str, Any]], bool]


@dataclass(frozen=True, slots=True)
class Way:
    """``type`` is where it ends, ``element`` the element there (None: the beginning).

    ``target`` is the type that a reference must be to, where a condition says so.
    """

    moves: tuple[Step | Only, ...]
    type: str
    element: Element | None = None
    target: str | None = None


@lru_cache(maxsize=2048)
def tree_of(expression: str) -> Tree:
    """An expression, read once: most are about several types. Raises FhirPathError."""
    return parse(expression)


def parts_of(tree: Tree, type_: str) -> list[Tree]:
    """The alternatives of an expression that can lead anywhere from a resource of this type."""
    if isinstance(tree, Binary) and tree.operator == "|":
        return [*parts_of(tree.left, type_), *parts_of(tree.right, type_)]
    roots = set(_roots(tree))
    return [tree] if not roots or any(specialises(type_, root) for root in roots) else []


def ways_of(tree: Tree, type_: str) -> list[Way] | None:
    """The ways that an expression means from a type; None where it is more than ways."""
    if isinstance(tree, Member):
        return _member(tree, type_)
    if isinstance(tree, TypeTest) and tree.operator != "is":
        found = _begin(tree.target, type_)
        return None if found is None else [way for way in found if _is_of(way.type, tree.name)]
    if isinstance(tree, Call):
        return _call(tree, type_)
    if isinstance(tree, Binary) and tree.operator == "|":
        left, right = ways_of(tree.left, type_), ways_of(tree.right, type_)
        return None if left is None or right is None else left + right
    return None


def to_values(ways: list[Way]) -> list[Way]:
    """The same ways; what ends at an extension goes on to the values that it may have."""
    found: list[Way] = []
    for way in ways:
        found += list(_steps(way, "value")) if way.type == "Extension" else [way]
    return found


class Places:
    """What is taken from an object and from what is inside it: many ways walked at once."""

    def __init__(self) -> None:
        self._here: list[Take] = []
        self._inside: dict[Step, Places] = {}
        self._conditional: list[tuple[Only, Places]] = []

    def add(self, moves: tuple[Step | Only, ...], take: Take) -> None:
        """Take what is at the end of a way."""
        if not moves:
            self._here.append(take)
        elif isinstance(moves[0], Step):
            self._inside.setdefault(moves[0], Places()).add(moves[1:], take)
        else:
            below = Places()
            below.add(moves[1:], take)
            self._conditional.append((moves[0], below))

    def taker(self) -> Take:
        """Takes everything, property by property."""
        here = [*self._here, *(_if(only.holds, below.taker()) for only, below in self._conditional)]
        inside = {
            step.key: _each(below.taker()) if step.many else below.taker()
            for step, below in self._inside.items()
        }
        if not inside:
            return here[0] if len(here) == 1 else _all(here)
        return _properties(here, inside)


# -- ways -----------------------------------------------------------------------------------------


def _roots(tree: Tree | None) -> Iterator[str]:
    """The names of types that the expression begins with."""
    while isinstance(tree, Member | Call | TypeTest | Index):
        if isinstance(tree, Member) and tree.target is None:
            if tree.name[:1].isupper():
                yield tree.name
            return
        tree = tree.target
    if isinstance(tree, Binary):
        yield from _roots(tree.left)
        yield from _roots(tree.right)
    elif isinstance(tree, Unary):
        yield from _roots(tree.operand)


def _begin(target: Tree | None, type_: str) -> list[Way] | None:
    return [Way((), type_)] if target is None else ways_of(target, type_)


def _member(tree: Member, type_: str) -> list[Way] | None:
    if tree.target is None and tree.name[:1].isupper():
        return [Way((), type_)] if specialises(type_, tree.name) else []
    above = _begin(tree.target, type_)
    if above is None or any(_is_open(way.type) for way in above):
        return None
    return [way for one in above for way in _steps(one, tree.name)]


def _is_open(type_: str) -> bool:
    """Whether only data tell what elements there are."""
    return type_ in {"Resource", "DomainResource"} or is_primitive(type_)


def _steps(way: Way, name: str) -> Iterator[Way]:
    facts = type_facts(way.type)
    if facts is None:
        return
    for element in facts.elements.values():
        if element.path == name:
            step = Step(element.name, element.many)
            yield Way((*way.moves, step), element.type, element)


def _is_of(type_: str, wanted: str) -> bool:
    return type_ == wanted or (not is_primitive(type_) and specialises(type_, wanted))


def _call(tree: Call, type_: str) -> list[Way] | None:
    above = _begin(tree.target, type_)
    if above is None or len(tree.arguments) != 1:
        return None
    (argument,) = tree.arguments
    if tree.name == "extension" and isinstance(argument, Literal):
        only = Only(_has("url", argument.value))
        found = [way for one in above for way in _steps(one, "extension")]
        return [replace(way, moves=(*way.moves, only)) for way in found]
    if tree.name != "where":
        return None
    wanted = _reference_to(argument)
    if wanted is not None:
        only = Only(lambda value: may_be_of(value, wanted))
        return [replace(one, moves=(*one.moves, only), target=wanted) for one in above]
    only_equal = _equality(argument)
    if only_equal is None:
        return None
    return [replace(one, moves=(*one.moves, only_equal)) for one in above]


def _reference_to(tree: Tree) -> str | None:
    """``Patient`` of ``resolve() is Patient``."""
    if isinstance(tree, TypeTest) and tree.operator == "is" and isinstance(tree.target, Call):
        call = tree.target
        if call.name == "resolve" and call.target is None:
            return tree.name
    return None


def _equality(tree: Tree) -> Only | None:
    """``system='phone'``."""
    if not isinstance(tree, Binary) or tree.operator != "=":
        return None
    name, value = tree.left, tree.right
    if isinstance(name, Member) and name.target is None and isinstance(value, Literal):
        return Only(_has(name.name, value.value)) if isinstance(value.value, str) else None
    return None


def _has(key: str, wanted: Any) -> Callable[[dict[str, Any]], bool]:
    return lambda value: value.get(key) == wanted


# -- walking --------------------------------------------------------------------------------------


def _all(takes: Sequence[Take]) -> Take:
    def taken(value: Any, out: list[Any]) -> None:
        for take in takes:
            take(value, out)

    return taken


def _properties(takes: Sequence[Take], inside: Mapping[str, Take]) -> Take:
    def taken(value: Any, out: list[Any]) -> None:
        for take in takes:
            take(value, out)
        for key, inner in value.items():
            take_inner = inside.get(key)
            if take_inner is not None and inner is not None:
                take_inner(inner, out)

    return taken


def _if(holds: Callable[[dict[str, Any]], bool], take: Take) -> Take:
    def taken(value: Any, out: list[Any]) -> None:
        if holds(value):
            take(value, out)

    return taken


def _each(take: Take) -> Take:
    def taken(values: Any, out: list[Any]) -> None:
        for value in values:
            if value is not None:
                take(value, out)

    return taken
