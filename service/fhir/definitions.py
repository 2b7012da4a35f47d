"""Conformance resources by canonical: profiles, code systems, value sets and the like.

Read from folders of JSON, single files, and FHIR packages (``.tgz``). Folders named ``examples``
are left out: they hold resources to be checked, not definitions.
"""

import re
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from service.fhir.code_sets import CircularError, CodeSet, CodeSets
from service.fhir.json import JsonObject, read
from service.fhir.outcome import shown
from service.fhir.r4 import tables

CONFORMANCE_TYPES = frozenset(
    [
        "CapabilityStatement", "CodeSystem", "ConceptMap", "ImplementationGuide", "Library",
        "Measure", "NamingSystem", "OperationDefinition", "PlanDefinition", "Questionnaire",
        "SearchParameter", "StructureDefinition", "ValueSet",
    ]
)  # fmt: skip


class DefinitionError(ValueError):
    """A definition that is missing, contradicts itself or cannot be applied."""


@dataclass(slots=True)
class Definitions:
    """Conformance resources by canonical URL and version."""

    _by_url: dict[str, dict[str | None, JsonObject]] = field(default_factory=dict)
    _code_sets: CodeSets | None = None

    @classmethod
    def load(cls, *paths: Path) -> Self:
        """Everything found under the paths.

        Raises DefinitionError for two different definitions of one canonical and version,
        JsonError for a file that cannot be read.
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
        if versions.get(version, resource) != resource:
            raise DefinitionError(f"{resource['url']}|{version} is defined twice")
        versions[version] = resource
        self._code_sets = None

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

    @property
    def code_sets(self) -> CodeSets:
        """Every value set and code system known here or in the core."""
        if self._code_sets is None:
            self._code_sets = CodeSets(self.find)
        return self._code_sets

    def code_set(self, canonical: str) -> CodeSet | None:
        """The codes of a value set; None if it is not known or cannot be enumerated.

        Raises DefinitionError for a value set that includes itself.
        """
        try:
            return self.code_sets.get(canonical)
        except CircularError as error:
            raise DefinitionError(str(error)) from None

    def structure(self, canonical: str) -> JsonObject | None:
        """A StructureDefinition that is loaded, or a profile or extension of the core."""
        found = self.find(canonical)
        if found is not None:
            return found if found["resourceType"] == "StructureDefinition" else None
        url, _, version = canonical.partition("|")
        return tables.profiles().get(url) if version in {"", "4.0.1"} else None


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
