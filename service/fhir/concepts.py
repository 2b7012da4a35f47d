"""One code system in memory: its codes, their hierarchy, and what a value set's filters select."""

from collections.abc import Callable, Iterable, Iterator
from typing import Any

Json = dict[str, Any]

_ABSTRACT = frozenset({"notSelectable", "abstract"})
_UPWARD = frozenset({"subsumedBy", "parent"})


class FilterError(LookupError):
    """A filter that this code system cannot answer."""


def _walk(concepts: Iterable[Json], up: str | None = None) -> Iterator[tuple[Json, str | None]]:
    for concept in concepts:
        yield concept, up
        yield from _walk(concept.get("concept", []), concept["code"])


class Concepts:
    """The codes of a CodeSystem in order, their parents and their plain properties."""

    def __init__(self, system: Json) -> None:
        self.codes: dict[str, None] = {}
        self._parents: dict[str, set[str]] = {}
        self._properties: set[tuple[str, str, Any]] = set()
        for concept, up in _walk(system.get("concept", [])):
            code = concept["code"]
            self.codes[code] = None
            parents = self._parents.setdefault(code, set())
            if up is not None:
                parents.add(up)
            for item in concept.get("property", []):
                self._property(code, item, parents)

    def _property(self, code: str, item: Json, parents: set[str]) -> None:
        for value in (v for k, v in item.items() if k.startswith("value")):
            if isinstance(value, dict):
                continue
            self._properties.add((code, item["code"], value))
            if item["code"] in _UPWARD:
                parents.add(value)

    def abstract(self) -> set[str]:
        """Codes that group others and cannot be chosen."""
        return {c for c, name, value in self._properties if name in _ABSTRACT and value is True}

    def is_under(self, code: str, root: str) -> bool:
        """Whether ``root`` is a parent of the code, at any distance."""
        waiting, seen = [code], {code}
        while waiting:
            parents = self._parents.get(waiting.pop(), set())
            if root in parents:
                return True
            waiting.extend(parents - seen)
            seen |= parents
        return False

    def _under(self, root: str) -> set[str]:
        return {code for code in self.codes if self.is_under(code, root)}

    def selected(self, rule: Json) -> set[str]:
        """The codes that one filter of a value set keeps. Raises FilterError."""
        name, value = rule["property"], rule["value"]
        operations: dict[str, Callable[[], set[str]]] = {
            "is-a": lambda: self._under(value) | {value},
            "descendent-of": lambda: self._under(value),
            "is-not-a": lambda: self.codes.keys() - self._under(value) - {value},
            "in": lambda: set(value.split(",")),
            "=": lambda: {c for c, key, v in self._properties if key == name and _text(v) == value},
        }
        operation = operations.get(rule["op"])
        if operation is None:
            raise FilterError(f"filter {name} {rule['op']}")
        return operation()


def _text(value: Any) -> str:
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value)
