"""Ways from a JSON object to the elements inside it, settled before any data is seen.

A ``Walk`` is made from the type table once, for a path whose types are known, and then works on
raw JSON without making nodes. It presumes the shapes of R4's JSON: what is single is no array, what
repeats is one. Other shapes make it raise (the caller then takes the general way) or are faults of
structure, which the structure check reports.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.fhir.fhirpath.items import Collection, Node
from service.fhir.fhirpath.model import SYSTEM_OF, Element, Types
from service.fhir.fhirpath.navigation import actual_type, append_named
from service.fhir.fhirpath.scope import Scope

Get = Callable[[dict[str, Any]], Any]
Each = Callable[[dict[str, Any], Scope], Sequence[Any]]
Present = Callable[[dict[str, Any], Scope], bool]
Count = Callable[[dict[str, Any], Scope], int]
Test = Callable[[Any, Scope], bool | None]


@dataclass(frozen=True, slots=True)
class Walk:
    """``type`` is the type reached, None for a choice that is still open.

    ``get`` (None where elements may repeat) gives the raw value or None; ``each`` gives all values;
    ``present`` and ``count`` also count primitives that have only extensions. ``keys`` are the
    properties with their types and ``parent`` is the way to the object that has them, None for the
    focus itself.
    """

    type: str | None
    present: Present
    each: Each
    count: Count
    get: Get | None
    keys: Mapping[str, str]
    parent: "Walk | None" = None


def step(element: Element, parent: Walk | None) -> Walk:
    """The walk to an element of the focus, or of what ``parent`` leads to."""
    own = _own(element.keys, element.many)
    return own if parent is None else _beneath(parent, own)


def dynamic_step(name: str, parent: Walk, types: Types) -> Walk:
    """The walk to an element of resources whose types only the data tell; it ends there."""

    def nodes(data: dict[str, Any]) -> Collection:
        found: Collection = []
        append_named(found, Node(data, actual_type("Resource", data, types)), name, types)
        return found

    def each(data: dict[str, Any], _: Scope) -> Sequence[Any]:
        return [node.value for node in nodes(data)]

    own = Walk(
        None, lambda data, _: bool(nodes(data)), each, lambda data, _: len(nodes(data)), None, {}
    )
    return _beneath(parent, own)


def narrowed(walk: Walk, keys: Mapping[str, str]) -> Walk:
    """A walk to a choice, for some of its types only."""
    own = _own(keys, False)
    return own if walk.parent is None else _beneath(walk.parent, own)


def filtered(walk: Walk, test: Test) -> Walk:
    """The elements of complex type for which the test is true."""
    each = walk.each

    def present(data: dict[str, Any], scope: Scope) -> bool:
        for part in each(data, scope):  # noqa: SIM110 (any() costs a generator)
            if test(part, scope) is True:
                return True
        return False

    def kept(data: dict[str, Any], scope: Scope) -> list[Any]:
        return [part for part in each(data, scope) if test(part, scope) is True]

    return Walk(
        walk.type, present, kept, lambda data, scope: len(kept(data, scope)), None, walk.keys
    )


def _own(keys: Mapping[str, str], many: bool) -> Walk:
    of = next(iter(keys.values())) if len(set(keys.values())) == 1 else None
    if len(keys) != 1:
        return _choice(keys, of)
    key = next(iter(keys))
    if many:
        return _many_primitives(key, keys, of) if of in SYSTEM_OF else _many(key, keys, of)
    return _one_primitive(key, keys, of) if of in SYSTEM_OF else _one(key, keys, of)


def _single(get: Get, present: Present, keys: Mapping[str, str], of: str | None) -> Walk:
    def each(data: dict[str, Any], _: Scope) -> Sequence[Any]:
        value = get(data)
        return () if value is None else (value,)

    return Walk(of, present, each, lambda data, scope: int(present(data, scope)), get, keys)


def _one(key: str, keys: Mapping[str, str], of: str | None) -> Walk:
    return _single(lambda data: data.get(key), lambda data, _: data.get(key) is not None, keys, of)


def _one_primitive(key: str, keys: Mapping[str, str], of: str | None) -> Walk:
    beside = "_" + key
    return _single(
        lambda data: data.get(key),
        lambda data, _: data.get(key) is not None or data.get(beside) is not None,
        keys,
        of,
    )


def _many(key: str, keys: Mapping[str, str], of: str | None) -> Walk:
    def count(data: dict[str, Any], _: Scope) -> int:
        return len(data.get(key, ()))

    return Walk(
        of,
        lambda data, _: bool(data.get(key)),
        lambda data, _: data.get(key, ()),
        count,
        None,
        keys,
    )


def _many_primitives(key: str, keys: Mapping[str, str], of: str | None) -> Walk:
    beside = "_" + key

    def each(data: dict[str, Any], _: Scope) -> Sequence[Any]:
        return [value for value in data.get(key, ()) if value is not None]

    def count(data: dict[str, Any], _: Scope) -> int:
        return max(len(data.get(key, ())), len(data.get(beside, ())))

    return Walk(
        of,
        lambda data, _: bool(data.get(key)) or bool(data.get(beside)),
        each,
        count,
        None,
        keys,
    )


def _choice(keys: Mapping[str, str], of: str | None) -> Walk:
    every = frozenset(keys) | {"_" + key for key in keys if keys[key] in SYSTEM_OF}

    def get(data: dict[str, Any]) -> Any:
        for key in data:
            if key in keys:
                return data[key]
        return None

    return _single(get, lambda data, _: not every.isdisjoint(data), keys, of)


def _beneath(parent: Walk, own: Walk) -> Walk:
    if parent.get is not None:
        return _beneath_one(parent, parent.get, own)
    above, present, each, count = parent.each, own.present, own.each, own.count

    def found(data: dict[str, Any], scope: Scope) -> bool:
        for part in above(data, scope):  # noqa: SIM110 (any() costs a generator)
            if present(part, scope):
                return True
        return False

    return Walk(
        own.type,
        found,
        lambda data, scope: [v for part in above(data, scope) for v in each(part, scope)],
        lambda data, scope: sum([count(part, scope) for part in above(data, scope)]),
        None,
        own.keys,
        parent,
    )


def _beneath_one(parent: Walk, above: Get, own: Walk) -> Walk:
    inner, present, each, count = own.get, own.present, own.each, own.count
    get: Get | None = None
    if inner is not None:
        of = inner

        def get(data: dict[str, Any]) -> Any:
            part = above(data)
            return None if part is None else of(part)

    def found(data: dict[str, Any], scope: Scope) -> bool:
        part = above(data)
        return part is not None and present(part, scope)

    def all_of(data: dict[str, Any], scope: Scope) -> Sequence[Any]:
        part = above(data)
        return () if part is None else each(part, scope)

    def number(data: dict[str, Any], scope: Scope) -> int:
        part = above(data)
        return 0 if part is None else count(part, scope)

    return Walk(own.type, found, all_of, number, get, own.keys, parent)
