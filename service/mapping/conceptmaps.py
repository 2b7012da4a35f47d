"""Concept maps of the project, as lookups from one code to the codings that stand beside it."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service.fhir.json import JsonObject, read
from service.mapping.errors import TableError

_NO_MATCH = frozenset({"unmatched", "disjoint"})

Coding = dict[str, str]


@dataclass(frozen=True, slots=True)
class Translation:
    """One ConceptMap: source code to target codings, and all codings it can ever give."""

    codings: Mapping[str, tuple[Coding, ...]]

    def of(self, code: str) -> list[Coding]:
        """Target codings of a source code; none where nothing corresponds."""
        return [dict(coding) for coding in self.codings.get(code, ())]

    def gives(self, coding: JsonObject) -> bool:
        """Whether ``coding`` is one that this map can give."""
        return any(is_same_coding(coding, one) for found in self.codings.values() for one in found)


def is_same_coding(one: JsonObject, other: JsonObject) -> bool:
    """Whether two codings name the same concept: system and code, whatever the display."""
    return (one.get("system"), one.get("code")) == (other.get("system"), other.get("code"))


def load_concept_maps(folder: Path) -> dict[str, Translation]:
    """Every ConceptMap in ``folder`` by file name. Raises TableError."""
    return {path.stem: _translation(path) for path in sorted(folder.glob("*.json"))}


def _translation(path: Path) -> Translation:
    resource = read(path.read_bytes())
    if resource.get("resourceType") != "ConceptMap":
        raise TableError(f"{path.name} is not a ConceptMap")
    codings: dict[str, tuple[Coding, ...]] = {}
    for group in resource.get("group", []):
        for element in group["element"]:
            found = tuple(
                {"system": group["target"], "code": target["code"]}
                for target in element.get("target", [])
                if target["equivalence"] not in _NO_MATCH
            )
            codings[element["code"]] = codings.get(element["code"], ()) + found
    return Translation(codings)
