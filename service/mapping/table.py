"""One mapping table at work: an element from a document value, and the value from the element.

A table is compiled once into a tree that follows the document: leaves are single values, an
``Each`` stands for a field that holds several. Writing starts from what is there and touches only
what a row names.
"""

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

from service.fhir.json import JsonObject
from service.mapping.converters import Context, Converter
from service.mapping.path import Step, change_at, find_at
from service.mapping.walk import WHOLE, Read, Visit, visit_of


@dataclass(frozen=True, slots=True)
class Leaf:
    """One value. ``names`` leads to it in the document, ``steps`` in the element.

    ``of_document`` says that the value is that of the whole document, not of the part at hand.
    """

    names: tuple[str, ...]
    steps: tuple[Step, ...]
    converter: Converter
    of_document: bool = False

    @property
    def reading(self) -> Read | None:
        """How it is read; None for rows that are for writing only."""
        return None if self.of_document else self.converter.read

    def write(self, element: Any, document: Any, context: Context) -> Any:
        """``element`` (changed in place where it is an object) with the value in it."""
        value = _value_at(context.document if self.of_document else document, self.names)
        if value is None and find_at(element, self.steps) is None:
            return element
        if not self.steps:
            return self.converter.write(value, element, context)
        change_at(element, self.steps, lambda old: self.converter.write(value, old, context))
        return element


@dataclass(frozen=True, slots=True)
class Each:
    """A field that holds several: one repetition of ``step`` for each item."""

    names: tuple[str, ...]
    steps: tuple[Step, ...]
    step: Step
    items: "Group"

    @property
    def reading(self) -> Read:
        """The items; a repetition that no row can read is somebody else's."""
        return self._read

    def _read(self, container: Any, context: Context) -> Any:
        if not isinstance(container, dict):
            return None
        return [value for _, value in self._ours(container, context)] or None

    def write(self, element: Any, document: Any, context: Context) -> Any:
        """``element`` with the items in it, in order; the repetitions of others stay in place."""
        values = _value_at(document, self.names) or []

        def change(container: JsonObject | None) -> JsonObject | None:
            return self._replace(container or {}, values, context) or None

        if not self.steps:
            return self._replace(element, values, context)
        change_at(element, self.steps, change)
        return element

    def _replace(self, container: JsonObject, values: list[Any], context: Context) -> JsonObject:
        ours = self._ours(container, context)
        before = [value for _, value in ours]
        existing = container.get(self.step.name, [])
        new = []
        for value, pair in zip(values, paired(before, values), strict=True):
            old = self.step.fresh() if pair is None else deepcopy(existing[ours[pair][0]])
            new.append(self.items.write(old, value, context))
        self.step.splice(container, [at for at, _ in ours], new)
        if before != values and not all(isinstance(item, dict) for item in new):
            container.pop(f"_{self.step.name}", None)  # extensions of primitives go by position
        return container

    def _ours(self, container: JsonObject, context: Context) -> list[tuple[int, Any]]:
        found = []
        for at in self.step.positions(container):
            value = self.items.read(container[self.step.name][at], context)
            if value not in (None, {}):
                found.append((at, value))
        return found


@dataclass(frozen=True, slots=True)
class Group:
    """Several rows about one element."""

    nodes: tuple[Leaf | Each, ...]
    visit: Visit = field(init=False)

    def __post_init__(self) -> None:
        lines = [(node.steps, node.names, read) for node in self.nodes if (read := node.reading)]
        object.__setattr__(self, "visit", visit_of(lines))

    def read(self, element: Any, context: Context) -> Any:
        """The document value that the rows find in ``element``; ``{}`` where they find nothing."""
        document: JsonObject = {}
        self.visit(element, document, context)
        return document.get(WHOLE, document)

    def write(self, element: Any, document: Any, context: Context) -> Any:
        """``element`` with what the rows take from ``document``; None takes away what is ours."""
        for node in self.nodes:
            element = node.write(element, document, context)
        return element


def paired(before: Sequence[Any], after: Sequence[Any]) -> list[int | None]:
    """For each item of ``after`` the position in ``before`` of the item that it continues.

    Equal items continue each other. When as many remain on both sides they were edited in place
    and are paired in order; otherwise nobody can tell, and what remains is new.
    """
    free = list(range(len(before)))
    pairs: list[int | None] = []
    for item in after:
        equal = next((at for at in free if before[at] == item), None)
        if equal is not None:
            free.remove(equal)
        pairs.append(equal)
    open_ends = [at for at, pair in enumerate(pairs) if pair is None]
    if len(open_ends) == len(free):
        for at, old in zip(open_ends, free, strict=True):
            pairs[at] = old
    return pairs


def _value_at(document: Any, names: tuple[str, ...]) -> Any:
    for name in names:
        if document is None:
            return None
        document = document.get(name)
    return document
