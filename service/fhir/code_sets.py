"""What value sets hold: codes listed, codes selected, and systems taken whole.

Value sets and code systems are looked up among the loaded definitions first, then in the tables of
the R4 core. A system whose codes are not at hand is taken whole: membership there is not judged.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from service.fhir.concepts import Concepts, FilterError
from service.fhir.json import JsonObject
from service.fhir.r4 import tables

Find = Callable[[str], JsonObject | None]

_COMPLETE = frozenset({"complete"})


class CircularError(ValueError):
    """A value set that includes itself."""


@dataclass(frozen=True, slots=True)
class CodeSet:
    """What a value set holds: listed codes, and systems of which any code is in."""

    pairs: frozenset[tuple[str | None, str]]
    whole_systems: frozenset[str]
    codes: frozenset[str]

    @classmethod
    def of(cls, pairs: set[tuple[str | None, str]], whole: set[str]) -> "CodeSet":
        """The set of these pairs and whole systems."""
        return cls(frozenset(pairs), frozenset(whole), frozenset(code for _, code in pairs))

    def holds(self, system: Any, code: Any) -> bool:
        """Whether the coding is a member, or cannot be judged not to be. Takes any JSON values."""
        if not isinstance(system, str | None) or not isinstance(code, str | None):
            return False
        return system in self.whole_systems or (system, code) in self.pairs

    def holds_code(self, code: str) -> bool:
        """The same for a bare code, whose system is implied."""
        return bool(self.whole_systems) or code in self.codes

    def systems(self) -> frozenset[str]:
        """All systems a member may come from."""
        return self.whole_systems | {system for system, _ in self.pairs if system}


class CodeSets:
    """The value sets that ``find`` knows, and those of the core, each composed on first use."""

    def __init__(self, find: Find) -> None:
        self._find = find
        self._known: dict[str, CodeSet | None] = {}
        self._concepts: dict[str, Concepts] = {}

    def get(self, canonical: str) -> CodeSet | None:
        """The codes of a value set; None if it is not known or cannot be enumerated."""
        if canonical not in self._known:
            self._known[canonical] = self._codes(canonical, frozenset())
        return self._known[canonical]

    def codes_of(self, system: str) -> dict[str, None] | None:
        """Every code of a system that is known completely; None for any other system."""
        concepts = self._loaded(system)
        if concepts is not None:
            return concepts.codes
        listed = tables.code_systems().get(system)
        return None if listed is None else dict.fromkeys(listed)

    def _codes(self, canonical: str, seen: frozenset[str]) -> CodeSet | None:
        value_set = self._find(canonical)
        if value_set is None:
            return _of_core(canonical)
        if value_set["resourceType"] != "ValueSet":
            return None
        if value_set["url"] in seen:
            raise CircularError(f"value set {value_set['url']} includes itself")
        if "compose" not in value_set:
            return _expanded(value_set)
        try:
            return self._compose(value_set["compose"], seen | {value_set["url"]})
        except FilterError:
            return None

    def _compose(self, compose: JsonObject, seen: frozenset[str]) -> CodeSet | None:
        pairs: set[tuple[str | None, str]] = set()
        whole: set[str] = set()
        for part in compose.get("include", []):
            chosen = self._include(part, seen)
            if chosen is None:
                return None
            pairs |= chosen.pairs
            whole |= chosen.whole_systems
        for part in compose.get("exclude", []):
            chosen = self._include(part, seen)
            if chosen is None:
                return None
            pairs -= chosen.pairs
        return CodeSet.of(pairs, whole)

    def _include(self, part: JsonObject, seen: frozenset[str]) -> CodeSet | None:
        chosen = self._of_system(part) if "system" in part else None
        for canonical in part.get("valueSet", []):
            inner = self._codes(canonical, seen)
            if inner is None:
                return None
            chosen = inner if chosen is None else _both(chosen, inner)
        return chosen

    def _of_system(self, part: JsonObject) -> CodeSet:
        system = part["system"]
        if "concept" in part:
            return CodeSet.of({(system, concept["code"]) for concept in part["concept"]}, set())
        if "filter" in part:
            return self._filtered(system, part["filter"])
        codes = self.codes_of(system)
        if codes is None:
            return CodeSet.of(set(), {system})
        return CodeSet.of({(system, code) for code in codes}, set())

    def _filtered(self, system: str, rules: list[JsonObject]) -> CodeSet:
        concepts = self._loaded(system)
        if concepts is None:
            raise FilterError(system)
        codes = set(concepts.codes)
        for rule in rules:
            codes &= concepts.selected(rule)
        return CodeSet.of({(system, code) for code in codes}, set())

    def _loaded(self, system: str) -> Concepts | None:
        code_system = self._find(system)
        if code_system is None or code_system.get("content") not in _COMPLETE:
            return None
        if system not in self._concepts:
            self._concepts[system] = Concepts(code_system)
        return self._concepts[system]


def _of_core(canonical: str) -> CodeSet | None:
    systems = tables.value_sets().get(canonical.partition("|")[0])
    if systems is None:
        return None
    pairs = {(system, code) for system, codes in systems.items() for code in codes or ()}
    return CodeSet.of(pairs, {system for system, codes in systems.items() if codes is None})


def _expanded(value_set: JsonObject) -> CodeSet | None:
    expansion = value_set.get("expansion")
    if expansion is None:
        return None
    pairs: set[tuple[str | None, str]] = set()
    waiting = list(expansion.get("contains", []))
    while waiting:
        member = waiting.pop()
        waiting.extend(member.get("contains", []))
        if "code" in member and not member.get("abstract"):
            pairs.add((member.get("system"), member["code"]))
    return CodeSet.of(pairs, set())


def _both(left: CodeSet, right: CodeSet) -> CodeSet:
    pairs = {pair for pair in left.pairs if right.holds(*pair)}
    pairs |= {pair for pair in right.pairs if left.holds(*pair)}
    return CodeSet.of(pairs, set(left.whole_systems & right.whole_systems))
