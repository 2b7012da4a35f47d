"""Conformance resources by canonical: profiles, code systems, value sets and the like.

Read from folders of JSON, single files, and FHIR packages (``.tgz``). Folders named ``examples``
are left out: they hold resources to be checked, not definitions.
"""

import re
import tarfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from service.fhir.json import JsonObject, read
from service.fhir.outcome import shown

CONFORMANCE_TYPES = frozenset(
    [
        "CapabilityStatement", "CodeSystem", "ConceptMap", "ImplementationGuide", "Library",
        "Measure", "NamingSystem", "OperationDefinition", "Questionnaire", "SearchParameter",
        "StructureDefinition", "ValueSet",
    ]
)  # fmt: skip


class DefinitionError(ValueError):
    """A definition that is missing, contradicts itself or cannot be applied."""


@dataclass(frozen=True, slots=True)
class CodeSet:
    """What a value set holds: listed codes, and systems of which any code is in.

    A system is taken whole when its codes are not loaded, so membership there is not judged.
    """

    pairs: frozenset[tuple[str | None, str]]
    whole_systems: frozenset[str]

    def holds(self, system: Any, code: Any) -> bool:
        """Whether the coding is a member, or cannot be judged not to be. Takes any JSON values."""
        if not isinstance(system, str | None) or not isinstance(code, str | None):
            return False
        return system in self.whole_systems or (system, code) in self.pairs

    def holds_code(self, code: str) -> bool:
        """The same for a bare code, whose system is implied."""
        return bool(self.whole_systems) or any(code == member for _, member in self.pairs)

    def systems(self) -> frozenset[str]:
        """All systems a member may come from."""
        return self.whole_systems | {system for system, _ in self.pairs if system}


@dataclass(slots=True)
class Definitions:
    """Conformance resources by canonical URL and version."""

    _by_url: dict[str, dict[str | None, JsonObject]] = field(default_factory=dict)
    _code_sets: dict[str, CodeSet | None] = field(default_factory=dict)

    @classmethod
    def load(cls, *paths: Path) -> Self:
        """Everything found under the paths.

        Raises DefinitionError for one canonical and version defined twice, JsonError for a file
        that cannot be read.
        """
        definitions = cls()
        for path in paths:
            for value in _resources(path):
                definitions.add(value)
        return definitions

    def add(self, resource: Any) -> None:
        """Take in one resource; what is no conformance resource with a URL is left aside."""
        if not isinstance(resource, dict) or "url" not in resource:
            return
        if resource.get("resourceType") not in CONFORMANCE_TYPES:
            return
        versions = self._by_url.setdefault(resource["url"], {})
        version = resource.get("version")
        if version in versions:
            raise DefinitionError(f"{resource['url']}|{version} is defined twice")
        versions[version] = resource

    def find(self, canonical: str) -> JsonObject | None:
        """The resource of ``url|version``; without a version the highest known."""
        url, _, version = canonical.partition("|")
        versions = self._by_url.get(url)
        if not versions:
            return None
        return versions.get(version) if version else versions[max(versions, key=_version_order)]

    def of_type(self, resource_type: str) -> Iterator[JsonObject]:
        """Every resource of one type, in the order loaded."""
        for versions in self._by_url.values():
            yield from (r for r in versions.values() if r["resourceType"] == resource_type)

    def code_set(self, canonical: str) -> CodeSet | None:
        """The codes of a value set; None if it is not loaded or selects by filter."""
        if canonical not in self._code_sets:
            value_set = self.find(canonical)
            known = value_set is not None and value_set["resourceType"] == "ValueSet"
            self._code_sets[canonical] = self._compose(value_set, frozenset()) if known else None
        return self._code_sets[canonical]

    def _compose(self, value_set: Any, seen: frozenset[str]) -> CodeSet | None:
        if value_set["url"] in seen:
            raise DefinitionError(f"value set {value_set['url']} includes itself")
        pairs: set[tuple[str | None, str]] = set()
        whole: set[str] = set()
        compose = value_set.get("compose", {})
        for part in compose.get("include", []):
            chosen = self._include(part, seen | {value_set["url"]})
            if chosen is None:
                return None
            pairs |= chosen.pairs
            whole |= chosen.whole_systems
        for part in compose.get("exclude", []):
            chosen = self._include(part, seen | {value_set["url"]})
            if chosen is None:
                return None
            pairs -= chosen.pairs
        return CodeSet(frozenset(pairs), frozenset(whole))

    def _include(self, part: JsonObject, seen: frozenset[str]) -> CodeSet | None:
        if "filter" in part:
            return None
        chosen = self._of_system(part) if "system" in part else None
        for canonical in part.get("valueSet", []):
            value_set = self.find(canonical)
            inner = self._compose(value_set, seen) if value_set else None
            if inner is None:
                return None
            chosen = inner if chosen is None else _both(chosen, inner)
        return chosen

    def _of_system(self, part: JsonObject) -> CodeSet:
        system = part["system"]
        if "concept" in part:
            listed = frozenset((system, concept["code"]) for concept in part["concept"])
            return CodeSet(listed, frozenset())
        code_system = self.find(system)
        if code_system is None or code_system.get("content") != "complete":
            return CodeSet(frozenset(), frozenset({system}))
        codes = _concept_codes(code_system.get("concept", []))
        return CodeSet(frozenset((system, code) for code in codes), frozenset())


def _both(left: CodeSet, right: CodeSet) -> CodeSet:
    pairs = {pair for pair in left.pairs if right.holds(*pair)}
    pairs |= {pair for pair in right.pairs if left.holds(*pair)}
    return CodeSet(frozenset(pairs), left.whole_systems & right.whole_systems)


def _concept_codes(concepts: Iterable[JsonObject]) -> Iterator[str]:
    for concept in concepts:
        yield concept["code"]
        yield from _concept_codes(concept.get("concept", []))


def _version_order(version: str | None) -> list[tuple[int, str]]:
    parts = re.split(r"[.-]", version or "")
    return [(int(part) if part.isdecimal() else -1, part) for part in parts]


def _resources(path: Path) -> Iterator[Any]:
    if path.is_dir():
        for file in sorted(path.rglob("*.json")):
            if "examples" not in file.relative_to(path).parts:
                yield read(file.read_bytes())
    elif path.suffix == ".tgz":
        yield from _package_resources(path)
    elif path.is_file():
        yield read(path.read_bytes())
    else:
        raise DefinitionError(f"no definitions at {shown(path.name)}")


def _package_resources(path: Path) -> Iterator[Any]:
    with tarfile.open(path, "r:gz") as archive:
        for member in archive:
            name = Path(member.name)
            if name.parent.name == "package" and name.suffix == ".json" and member.isfile():
                stream = archive.extractfile(member)
                if stream is not None and name.name not in {"package.json", ".index.json"}:
                    yield read(stream.read())
