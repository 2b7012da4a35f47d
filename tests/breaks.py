"""Breaks of a profile: from its rules and an example that meets it, one change at a time.

Every rule of the profile, and of the extensions it names, gives the breaks that it can give: a
required element dropped, another type, another code, a second type of a choice, a slice broken or
met too often, a bound passed, a reference to nothing.
"""

import copy
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.fast.facts import PRIMITIVES, Part, type_facts
from service.fhir.fast.rules import Rule, rule_tree
from service.fhir.fast.slices import slicing_of

Json = dict[str, Any]
Path = tuple[str, ...]
Steps = tuple[str | int, ...]

_BOUND = re.compile(r"\$this (>=|<=|>|<) (-?\d+)|value (>=|<=) (-?\d+)")
_BEYOND = {">=": -1, ">": 0, "<=": 1, "<": 0}


@dataclass(frozen=True)
class Break:
    """One change of a document, and the FHIRPath of the element that it is a fault of."""

    kind: str
    rule: str
    place: str
    steps: Steps
    value: Any = None
    """What is put there; None to remove."""
    added: bool = False
    """Whether the value is a new item of the array at ``steps``."""

    def of(self, document: Json) -> Json:
        """The document with the break."""
        broken = copy.deepcopy(document)
        owner: Any = broken
        for step in self.steps[:-1]:
            owner = owner[step]
        last = self.steps[-1]
        if self.added:
            owner[last].append(copy.deepcopy(self.value))
        elif self.value is None:
            del owner[last]
            if owner == []:
                _drop_empty(broken, self.steps[:-1])
        else:
            owner[last] = copy.deepcopy(self.value)
        return broken

    def is_told_by(self, expression: str) -> bool:
        """Whether a finding there is at the place: on it, in it, or, of what is gone, around it."""
        inside = expression == self.place or expression.startswith(
            (f"{self.place}.", f"{self.place}[")
        )
        around = re.sub(r"(\[\d+\]|\.[A-Za-z]+)$", "", self.place)
        return inside or expression in (around, re.sub(r"\.[A-Za-z]+$", "", around))


def _drop_empty(document: Any, steps: Steps) -> None:
    for step in steps[:-1]:
        document = document[step]
    del document[steps[-1]]


class Breaker:
    """Walks a document along a profile's rules."""

    def __init__(self, definitions: Definitions) -> None:
        self._definitions = definitions

    def breaks(self, profile: Json, document: Json) -> Iterator[Break]:
        """Every break that the document can show of the profile's rules."""
        rule = rule_tree(profile)
        yield from self._object(rule, document, profile["type"], profile["type"], ())

    def _object(
        self, rule: Rule, value: Json, kind: str, place: str, steps: Steps
    ) -> Iterator[Break]:
        facts = type_facts(kind)
        for name, child in rule.children.items():
            part = facts.parts[name]
            held = next((c for c in part.choices if c.key in value), None)
            at = f"{place}.{name}"
            if held is None:
                yield from _prohibited(child, part, at, steps)
                continue
            inner = (*steps, held.key)
            yield from _choice(part, held.key, value, at, steps)
            if child.low:
                yield Break("required element dropped", name, at, inner)
            if part.many:
                yield from self._array(child, value[held.key], held.type, at, inner)
            else:
                yield from self._value(child, value[held.key], held.type, at, inner)

    def _array(
        self, rule: Rule, items: list[Any], kind: str, place: str, steps: Steps
    ) -> Iterator[Break]:
        if rule.high == "1":
            yield Break("bound passed", "max", place, steps, items[0], added=True)
        known: dict[Any, Rule] = {}
        if rule.slices:
            slicing = slicing_of(rule)
            known = {piece.key: piece.rule for piece in slicing.slices}
            for index, item in enumerate(items):
                key = next((k for k in _keys(item, slicing.path) if k in known), None)
                if key is not None:
                    at = (*steps, index)
                    yield from self._slice(known[key], item, kind, place, at, key, slicing.path)
        for index, item in enumerate(items):
            yield from self._value(rule, item, kind, f"{place}[{index}]", (*steps, index))

    def _slice(
        self, rule: Rule, item: Any, kind: str, place: str, steps: Steps, key: Any, told: Path
    ) -> Iterator[Break]:
        """Breaks of a slice. One that changes what it is told by makes it no slice at all: that is
        a fault of the array, if the slice has to be there.
        """
        within = [self._value(rule, item, kind, f"{place}[{steps[-1]}]", steps)]
        profile = self._definitions.structure(key) if isinstance(key, str) else None
        if profile is not None and profile.get("type") == "Extension":
            at = f"{place}[{steps[-1]}]"
            within.append(self._object(rule_tree(profile), item, "Extension", at, steps))
        telling = (*steps, *told)
        for one in chain.from_iterable(within):
            if not told or one.steps[: len(telling)] != telling:
                yield one
            elif rule.low and one.kind != "another type":
                yield replace(one, kind="slice broken", place=place)
        if rule.low:
            yield Break("slice broken", str(key), place, steps)
        if rule.high == "1":
            yield Break("slice met too often", str(key), place, steps[:-1], item, added=True)

    def _value(
        self, rule: Rule, value: Any, kind: str, place: str, steps: Steps
    ) -> Iterator[Break]:
        yield Break("another type", kind, place, steps, {"odd": 1} if kind in PRIMITIVES else "odd")
        if rule.binding and rule.binding["strength"] == "required":
            yield from _codes(value, place, steps)
        if kind == "Reference" and "reference" in value:
            yield Break("reference to nothing", "ref-1", place, (*steps, "reference"), "#nowhere")
        if rule.types and kind == "Reference" and "targetProfile" in rule.types[0]:
            wrong = f"Location/{value.get('reference', 'Location/x').partition('/')[2]}"
            yield Break("reference to another type", "target", place, (*steps, "reference"), wrong)
        if rule.fixed is not None and isinstance(value, str):
            yield Break("another fixed value", "fixed", place, steps, f"{value}-x")
        if isinstance(rule.pattern, dict):
            yield from _pattern(rule.pattern, place, steps)
        yield from _bounds(rule, value, kind, place, steps)
        if isinstance(value, dict):
            yield from self._object(rule, value, kind, place, steps)


def _keys(item: Any, path: tuple[str, ...]) -> Iterator[Any]:
    for step in path:
        item = item.get(step, {})
    if isinstance(item, str):
        yield item
    elif isinstance(item, dict):
        for coding in item.get("coding", [item]):
            yield coding.get("system"), coding.get("code")


def _prohibited(rule: Rule, part: Part, place: str, steps: Steps) -> Iterator[Break]:
    if rule.prohibited and part.name != "extension":
        choice = next(c for c in part.choices if c.type == "string")
        yield Break("bound passed", "max 0", place, (*steps, choice.key), "x")


def _choice(part: Part, key: str, value: Json, place: str, steps: Steps) -> Iterator[Break]:
    others = [
        c for c in part.choices if c.key != key and c.type in ("string", "dateTime", "boolean")
    ]
    if others:
        more = {"string": "x", "dateTime": "2031-05-01", "boolean": True}[others[0].type]
        yield Break("second type of a choice", part.name, place, (*steps, others[0].key), more)


def _codes(value: Any, place: str, steps: Steps) -> Iterator[Break]:
    if isinstance(value, str):
        yield Break("another code", "binding", place, steps, "no-such-code")
    for index in range(len(value.get("coding", ())) if isinstance(value, dict) else 0):
        if index == 0:
            at = (*steps, "coding", index, "code")
            yield Break("another code", "binding", place, at, "no-such-code")


def _pattern(pattern: Json, place: str, steps: Steps) -> Iterator[Break]:
    if "coding" in pattern:
        at: Steps = (*steps, "coding", 0, "code")
        yield Break("another code", "pattern", place, at, "no-such-code")
    elif "code" in pattern:
        yield Break("another code", "pattern", place, (*steps, "code"), "m")


def _bounds(rule: Rule, value: Any, kind: str, place: str, steps: Steps) -> Iterator[Break]:
    for constraint in rule.constraints:
        match = _BOUND.search(constraint["expression"])
        if match is None:
            continue
        sign, number = (match[1], match[2]) if match[1] else (match[3], match[4])
        beyond = int(number) + _BEYOND[sign]
        for key in ("value", "valueInteger"):
            if isinstance(value, dict) and isinstance(value.get(key), int | float):
                yield Break("bound passed", constraint["key"], place, (*steps, key), beyond)
        if isinstance(value, dict) and "valueQuantity" in value:
            at = (*steps, "valueQuantity", "value")
            yield Break("bound passed", constraint["key"], place, at, beyond)
