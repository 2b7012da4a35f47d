"""JSON Patch (RFC 6902) on resources in memory, with bounds that no honest patch meets.

Numbers keep their digits and are compared as numbers (section 4.6): 1.50 equals 1.5, true is not 1.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final, NamedTuple

from service.fhir.json import MAX_DEPTH, JsonObject
from service.fhir.outcome import shown
from service.fhir.patch.copies import copied
from service.fhir.patch.errors import InapplicablePatchError, MalformedPatchError
from service.fhir.patch.pointers import gap_in, key_in, steps_of, value_at

MAX_OPERATIONS: Final = 1000
MAX_COPIED: Final = 1_000_000
"""Characters that the ``copy`` operations of one patch may repeat, all together."""
MAX_HANDLED: Final = 2_000_000
"""Members of objects and lists that the operations of one patch may put somewhere."""

_NEEDS_VALUE = frozenset({"add", "replace", "test"})
_NEEDS_FROM = frozenset({"move", "copy"})


@dataclass(frozen=True, slots=True)
class _Operation:
    """``source`` are the steps of ``from``; ``told`` names the operation in messages."""

    name: str
    steps: tuple[str, ...]
    source: tuple[str, ...]
    value: Any
    told: str


class JsonPatch:
    """A patch that was read and can be applied to any number of resources."""

    def __init__(self, value: Any) -> None:
        """``value``: the patch document as JSON. Raises MalformedPatchError."""
        if not isinstance(value, list):
            raise MalformedPatchError("A JSON Patch is a list of operations.", code="structure")
        if len(value) > MAX_OPERATIONS:
            told = f"{len(value)} operations, at most {MAX_OPERATIONS} are taken."
            raise MalformedPatchError(told, code="too-costly")
        self._operations = [_operation(one, number) for number, one in enumerate(value)]

    def __call__(self, resource: JsonObject) -> JsonObject:
        """The patched resource; ``resource`` stays as it is. Raises InapplicablePatchError."""
        work = _Work(copied(resource))
        for operation in self._operations:
            try:
                _APPLY[operation.name](work, operation)
            except InapplicablePatchError as error:
                told = f"{operation.told}: {error}."
                raise InapplicablePatchError(told, code=error.finding.code) from None
        if not isinstance(work.document, dict):
            raise InapplicablePatchError("The patch leaves no resource.")
        return work.document


def _operation(value: Any, number: int) -> _Operation:
    told = f"Operation {number}"
    if not isinstance(value, dict):
        raise MalformedPatchError(f"{told} is no object.", code="structure")
    name = value.get("op")
    if not isinstance(name, str) or name not in _APPLY:
        expected = ", ".join(_APPLY)
        raise MalformedPatchError(f"{told}: op is {shown(name)}, one of {expected} is expected.")
    if name in _NEEDS_VALUE and "value" not in value:
        raise MalformedPatchError(f"{told}: {name} needs a value.", code="required")
    steps = _steps(value, "path", told)
    source = _steps(value, "from", told) if name in _NEEDS_FROM else ()
    if name == "move" and len(source) < len(steps) and steps[: len(source)] == source:
        raise MalformedPatchError(f"{told}: nothing can be moved into itself.")
    place = f"{told} ({name} {shown(value['path'])})"
    return _Operation(name, steps, source, value.get("value"), place)


def _steps(value: Mapping[str, Any], name: str, told: str) -> tuple[str, ...]:
    pointer = value.get(name)
    if not isinstance(pointer, str):
        raise MalformedPatchError(f"{told}: {name} must be a pointer.", code="required")
    try:
        return steps_of(pointer)
    except MalformedPatchError as error:
        raise MalformedPatchError(f"{told}, {name}: {error}") from None


class _Work:
    """The document while it is being patched, and how much was done so far."""

    def __init__(self, document: Any) -> None:
        self.document = document
        self._copied = self._handled = 0

    def put(self, steps: tuple[str, ...], value: Any) -> None:
        """Add at a place: new members are set, new items of a list move the others on."""
        weight = _weigh(value)
        self._handled += weight.members
        if self._handled > MAX_HANDLED:
            raise InapplicablePatchError("the patch does too much", code="too-costly")
        if len(steps) + weight.depth > MAX_DEPTH:
            raise InapplicablePatchError(f"deeper than {MAX_DEPTH}", code="too-costly")
        if not steps:
            self.document = value
            return
        parent = value_at(self.document, steps[:-1])
        key = gap_in(parent, steps[-1])
        if isinstance(parent, list):
            parent.insert(key, value)
        else:
            parent[key] = value

    def take(self, steps: tuple[str, ...]) -> Any:
        """Remove what is at a place; gives it back."""
        if not steps:
            raise InapplicablePatchError("the whole resource cannot be taken away")
        parent = value_at(self.document, steps[:-1])
        key = key_in(parent, steps[-1])
        return parent.pop(key)

    def twin(self, steps: tuple[str, ...]) -> Any:
        """A copy of what is at a place."""
        value = value_at(self.document, steps)
        self._copied += _weigh(value).characters
        if self._copied > MAX_COPIED:
            told = f"a patch may copy {MAX_COPIED} characters, no more"
            raise InapplicablePatchError(told, code="too-costly")
        return copied(value)


def _add(work: _Work, operation: _Operation) -> None:
    work.put(operation.steps, copied(operation.value))


def _remove(work: _Work, operation: _Operation) -> None:
    work.take(operation.steps)


def _replace(work: _Work, operation: _Operation) -> None:
    steps = operation.steps
    if steps:
        # In its place: what was there goes, what comes stands where it stood.
        parent = value_at(work.document, steps[:-1])
        key = key_in(parent, steps[-1])
        if isinstance(parent, list):
            del parent[key]
    work.put(steps, copied(operation.value))


def _move(work: _Work, operation: _Operation) -> None:
    if operation.source == operation.steps:
        value_at(work.document, operation.source)
        return
    work.put(operation.steps, work.take(operation.source))


def _copy(work: _Work, operation: _Operation) -> None:
    work.put(operation.steps, work.twin(operation.source))


def _test(work: _Work, operation: _Operation) -> None:
    if not equal(value_at(work.document, operation.steps), operation.value):
        raise InapplicablePatchError("another value is there")


_APPLY: Final[Mapping[str, Callable[[_Work, _Operation], None]]] = {
    "add": _add,
    "remove": _remove,
    "replace": _replace,
    "move": _move,
    "copy": _copy,
    "test": _test,
}


def equal(one: Any, other: Any) -> bool:
    """Whether two JSON values are the same: numbers by value, objects whatever their order."""
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, (int, Decimal)) and isinstance(other, (int, Decimal)):
        return one == other
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(equal(one[name], other[name]) for name in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(equal, one, other))
    return type(one) is type(other) and bool(one == other)


class _Weight(NamedTuple):
    """Objects, lists and values in all, characters of text, and how deep it is nested."""

    members: int
    characters: int
    depth: int


def _weigh(value: Any) -> _Weight:
    if isinstance(value, str):
        return _Weight(1, len(value), 0)
    if not isinstance(value, (dict, list)):
        return _Weight(1, 0, 0)
    members, characters, depth = 1, 0, 0
    if isinstance(value, dict):
        characters = sum(map(len, value))
    for part in value.values() if isinstance(value, dict) else value:
        inner = _weigh(part)
        members, characters = members + inner.members, characters + inner.characters
        depth = max(depth, inner.depth)
    return _Weight(members, characters, depth + 1)
