"""Code systems: those loaded, those of the R4 core, UCUM, and those that are only named.

A system answers for a code with its Concept or Absent, and raises NotCheckedError where it cannot
tell. The codes of the core come without versions and displays (see ``service.fhir.r4``).
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Protocol

from service.fhir.definitions import Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.r4 import tables
from service.fhir.terminology.concept import Absent, Concept
from service.fhir.terminology.errors import NotCheckedError, UnknownError
from service.fhir.units import UCUM, ucum_fault

CORE_VERSION = "4.0.1"
_V2_TABLES = "http://terminology.hl7.org/CodeSystem/v2-"


class System(Protocol):
    """What can be asked of a code system."""

    url: str
    name: str
    version: str | None

    def find(self, code: str) -> Concept | Absent:
        """What is known of a code. Raises NotCheckedError."""
        ...

    def spelled(self, code: str) -> str:
        """The code as the system writes it, where case means nothing. Raises NotCheckedError."""
        ...


class ListedSystem:
    """A system with its list of codes.

    ``complete``: no other code exists. ``case_sensitive``: None where the system does not say;
    then a code that differs from a listed one by case alone is not judged.
    """

    def __init__(
        self,
        url: str,
        concepts: Iterable[Concept],
        *,
        name: str | None = None,
        version: str | None = None,
        complete: bool = True,
        case_sensitive: bool | None = True,
    ) -> None:
        self.url = url
        self.name = name or url
        self.version = version
        self.concepts = {concept.code: concept for concept in concepts}
        self.complete = complete
        self._case_sensitive = case_sensitive
        self._folded = {} if case_sensitive else {code.lower(): code for code in self.concepts}

    def find(self, code: str) -> Concept | Absent:
        concept = self.concepts.get(self.spelled(code))
        if concept is not None:
            return concept
        if not self.complete:
            told = f"Only a part of {self.url} is loaded: {shown(code)} was not checked."
            raise NotCheckedError(told)
        return Absent(f"{shown(code)} is no code of {self.url}.")

    def spelled(self, code: str) -> str:
        if self._case_sensitive or code in self.concepts:
            return code
        meant = self._folded.get(code.lower(), code)
        if self._case_sensitive is None and meant != code:
            told = (
                f"{self.url} does not say whether case matters: {shown(code)} was not checked, "
                f"{shown(meant)} is known."
            )
            raise NotCheckedError(told)
        return meant


class UcumSystem:
    """UCUM: a grammar over a list of units, so that every code can be judged. Case matters."""

    url = UCUM
    name = "UCUM"
    version: str | None = None

    def find(self, code: str) -> Concept | Absent:
        expected = ucum_fault(code)
        if expected is not None:
            return Absent(f"Found {shown(code)}, expected {expected}.")
        return Concept(code)

    def spelled(self, code: str) -> str:
        return code


class NamedSystem:
    """A system that definitions refer to and whose codes are not held here."""

    version: str | None = None

    def __init__(self, url: str) -> None:
        self.url = url
        self.name = url

    def find(self, code: str) -> Concept | Absent:
        told = f"The codes of {self.url} are not held here: {shown(code)} was not checked."
        raise NotCheckedError(told)

    def spelled(self, code: str) -> str:
        return code


class CodeSystems:
    """Every code system that can be asked about, each made once."""

    def __init__(self, definitions: Definitions) -> None:
        self._definitions = definitions
        self._by_url: dict[str, System] = {url: NamedSystem(url) for url in _named(definitions)}
        self._by_url |= {url: _of_core(url, codes) for url, codes in tables.code_systems().items()}
        self._by_url[UCUM] = UcumSystem()
        self._loaded = {
            (one["url"], one.get("version")): _loaded(one)
            for one in definitions.of_type("CodeSystem")
        }

    def get(self, url: str, version: str | None = None) -> System:
        """The system, in a version where one is asked for.

        Raises UnknownError, and NotCheckedError for a version of a system whose version is not
        known here.
        """
        newest = self._definitions.find(url)
        if newest is not None and newest["resourceType"] == "CodeSystem":
            return self._in_version(newest, version)
        system = self._by_url.get(url)
        if system is None:
            raise UnknownError(f"No code system {shown(url)} is known here.")
        if version is not None and version != CORE_VERSION:
            told = f"Which version of {url} is held is not known: version {shown(version)} was not"
            raise NotCheckedError(f"{told} checked.")
        return system

    def known(self) -> list[tuple[str, str | None]]:
        """Address and version of every system whose codes can be judged, in order."""
        held = {
            (one.url, one.version)
            for one in (*self._by_url.values(), *self._loaded.values())
            if not isinstance(one, NamedSystem)
        }
        return sorted(held, key=lambda one: (one[0], one[1] or ""))

    def listed(self, url: str) -> ListedSystem | None:
        """The system if all of its codes are at hand."""
        try:
            system = self.get(url)
        except UnknownError:
            return None
        return system if isinstance(system, ListedSystem) and system.complete else None

    def spelled(self, url: str, code: str) -> str:
        """The code as its system writes it; as it is for a system that is not known here.

        Raises NotCheckedError.
        """
        try:
            return self.get(url).spelled(code)
        except UnknownError:
            return code

    def _in_version(self, newest: JsonObject, version: str | None) -> System:
        url = newest["url"]
        system = self._loaded.get((url, version or newest.get("version")))
        if system is None:
            known = " and ".join(str(v) for u, v in self._loaded if u == url)
            told = f"{url} is known in version {known}, not in version {shown(version)}."
            raise UnknownError(told)
        return system


def _of_core(url: str, codes: Iterable[str]) -> ListedSystem:
    # Of the complete systems of 4.0.1 only the tables of HL7 v2 leave caseSensitive out; in all
    # others it is true.
    case_sensitive = None if url.startswith(_V2_TABLES) else True
    return ListedSystem(url, map(Concept, codes), case_sensitive=case_sensitive)


def _loaded(resource: JsonObject) -> ListedSystem:
    return ListedSystem(
        resource["url"],
        _concepts(resource.get("concept", ()), None),
        name=resource.get("title") or resource.get("name"),
        version=resource.get("version"),
        complete=resource.get("content") == "complete",
        case_sensitive=resource.get("caseSensitive"),
    )


def _concepts(rows: Iterable[JsonObject], parent: str | None) -> Iterator[Concept]:
    for row in rows:
        below = row.get("concept", ())
        yield Concept(
            code=row["code"],
            display=row.get("display"),
            definition=row.get("definition"),
            designations=tuple(row.get("designation", ())),
            properties=tuple(row.get("property", ())),
            parent=parent,
            children=tuple(child["code"] for child in below),
        )
        yield from _concepts(below, row["code"])


def _named(definitions: Definitions) -> Iterator[str]:
    """Systems that value sets and concept maps refer to."""
    for systems in tables.value_sets().values():
        yield from systems
    for value_set in definitions.of_type("ValueSet"):
        compose: Mapping[str, list[JsonObject]] = value_set.get("compose", {})
        for part in (*compose.get("include", ()), *compose.get("exclude", ())):
            if "system" in part:
                yield part["system"]
    for concept_map in definitions.of_type("ConceptMap"):
        for group in concept_map.get("group", ()):
            yield from (group[end] for end in ("source", "target") if end in group)
