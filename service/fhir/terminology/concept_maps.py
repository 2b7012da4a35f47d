"""The loaded concept maps, ready to be followed in both directions."""

from dataclasses import dataclass, field
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.terminology.errors import UnknownError

_REVERSED = {
    "wider": "narrower", "narrower": "wider", "subsumes": "specializes", "specializes": "subsumes",
}  # fmt: skip
NO_MATCH = frozenset({"unmatched", "disjoint"})


@dataclass(frozen=True, slots=True)
class Match:
    """Where a concept leads. ``concept`` is None for unmatched; ``version`` is of its system.

    ``map``: canonical of the map. ``value_sets``: those that the map says it leads from and to.
    ``asked_version``: the version of the system that the map is about, where it says so.
    ``depends``: holds only where other elements have values that the map lists.
    """

    equivalence: str
    concept: JsonObject | None
    map: str
    value_sets: tuple[str | None, str | None]
    asked_version: str | None = None
    products: tuple[JsonObject, ...] = ()
    depends: bool = False


@dataclass(frozen=True, slots=True)
class Unmapped:
    """What a group says of codes that it does not list: ConceptMap.group.unmapped.

    ``concept`` is that of mode fixed, ``system`` the one in which mode provided keeps the code.
    """

    mode: str
    listed: frozenset[str]
    system: str | None
    concept: JsonObject
    other: str | None


_Index = dict[tuple[str, str], list[Match]]


@dataclass(slots=True)
class ConceptMap:
    """One map: matches by system and code, and what holds for codes that it does not list.

    ``ends``: the value sets that it leads from and to, where it says so.
    """

    canonical: str
    ends: tuple[str | None, str | None]
    forward: _Index = field(default_factory=dict)
    backward: _Index = field(default_factory=dict)
    unmapped: dict[str, list[Unmapped]] = field(default_factory=dict)

    def add(self, group: JsonObject) -> None:
        """Take in a group. One that does not name its source system cannot be followed."""
        source, target = group.get("source"), group.get("target")
        if source is None:
            return
        if "unmapped" in group:
            self.unmapped.setdefault(source, []).append(_unmapped(group))
        for element in group.get("element", ()):
            for row in element.get("target", ()):
                there = self._match(group, row)
                self.forward.setdefault((source, element.get("code", "")), []).append(there)
                if target is not None and "code" in row:
                    back = self._back(group, element, row)
                    self.backward.setdefault((target, row["code"]), []).append(back)

    def _match(self, group: JsonObject, row: JsonObject) -> Match:
        concept = _coding(group, "target", row) if "code" in row else None
        return Match(
            row["equivalence"],
            concept,
            self.canonical,
            self.ends,
            group.get("sourceVersion"),
            products=tuple(row.get("product", ())),
            depends="dependsOn" in row,
        )

    def _back(self, group: JsonObject, element: JsonObject, row: JsonObject) -> Match:
        equivalence: str = row["equivalence"]
        return Match(
            _REVERSED.get(equivalence, equivalence),
            _coding(group, "source", element),
            self.canonical,
            (self.ends[1], self.ends[0]),
            group.get("targetVersion"),
            depends="dependsOn" in row,
        )


class ConceptMaps:
    """Every loaded map, by canonical; ``newest`` are those that are followed unasked."""

    def __init__(self, definitions: Definitions) -> None:
        self._definitions = definitions
        self._maps = {
            (one["url"], one.get("version")): _map(one) for one in definitions.of_type("ConceptMap")
        }
        self.newest = [self.get(url) for url in dict.fromkeys(url for url, _ in self._maps)]

    def get(self, url: str, version: str | None = None) -> ConceptMap:
        """Raises UnknownError."""
        newest = self._definitions.find(url)
        known = newest.get("version") if newest else None
        found = self._maps.get((url, version or known))
        if found is None:
            name = url if version is None else f"{url}|{version}"
            raise UnknownError(f"No concept map {shown(name)} is known here.")
        return found


def _map(resource: JsonObject) -> ConceptMap:
    url, version = resource["url"], resource.get("version")
    ends = _end(resource, "source"), _end(resource, "target")
    found = ConceptMap(f"{url}|{version}" if version else url, ends)
    for group in resource.get("group", ()):
        found.add(group)
    return found


def _unmapped(group: JsonObject) -> Unmapped:
    row = group["unmapped"]
    return Unmapped(
        row["mode"],
        frozenset(element.get("code") for element in group.get("element", ())),
        group.get("target"),
        _coding(group, "target", row),
        row.get("url"),
    )


def _end(resource: JsonObject, name: str) -> str | None:
    end: str | None = resource.get(f"{name}Canonical", resource.get(f"{name}Uri"))
    return end


def _coding(group: JsonObject, end: str, row: JsonObject) -> JsonObject:
    coding: dict[str, Any] = {
        "system": group.get(end),
        "version": group.get(f"{end}Version"),
        "code": row.get("code"),
        "display": row.get("display"),
    }
    return {name: value for name, value in coding.items() if value is not None}
