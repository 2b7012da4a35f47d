"""Value sets in memory: their members in order, and the systems whose codes cannot be listed.

Which codes are members is decided by ``Definitions.code_set`` and the table of the core; this
module adds their order and what they are called.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

from service.fhir.definitions import Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.r4 import tables
from service.fhir.terminology.concept import Absent, Coding, Concept
from service.fhir.terminology.errors import NotCheckedError, UnknownError
from service.fhir.terminology.systems import CORE_VERSION, CodeSystems

_Key = tuple[str | None, str]


@dataclass(frozen=True)
class Content:
    """What a value set holds.

    ``members``: by system and code, in order. ``open``: systems that may hold further members,
    which cannot be listed; None for any system. ``chosen``: not every code of those is a member.
    ``resource``: None for a value set of the core.
    """

    url: str
    members: dict[_Key, Concept]
    open: frozenset[str] | None = frozenset()
    resource: JsonObject | None = None
    chosen: bool = False

    @cached_property
    def systems(self) -> frozenset[str | None]:
        """Those that members come from."""
        return frozenset(system for system, _ in self.members)

    @property
    def version(self) -> str | None:
        version: str | None = (self.resource or {}).get("version")
        return version


class ValueSets:
    """The loaded value sets and those of the R4 core, each made once.

    Raises DefinitionError for a loaded value set that includes itself.
    """

    def __init__(self, definitions: Definitions, systems: CodeSystems) -> None:
        self._definitions = definitions
        self._systems = systems
        self._core = {url: _of_core(url, row) for url, row in tables.value_sets().items()}
        self._loaded = {
            (one["url"], one.get("version")): self._content(one)
            for one in definitions.of_type("ValueSet")
        }

    def get(self, url: str, version: str | None = None) -> Content:
        """Raises UnknownError."""
        newest = self._definitions.find(url)
        if newest is not None and newest["resourceType"] == "ValueSet":
            content = self._loaded.get((url, version or newest.get("version")))
            if content is None:
                told = f"The value set {url} is not known in version {shown(version)}."
                raise UnknownError(told)
            return content
        core = self._core.get(url)
        if core is None or version not in {None, CORE_VERSION}:
            name = url if version is None else f"{url}|{version}"
            raise UnknownError(f"No value set {shown(name)} is known here.")
        return core

    def find(self, content: Content, coding: Coding) -> Concept | Absent:
        """The member that a coding names. Raises NotCheckedError."""
        system, code = coding.system, coding.code
        if system is None or code is None:
            return Absent("A coding without system and code is in no value set.")
        if system in content.systems:
            member = content.members.get((system, self._systems.spelled(system, code)))
            if member is not None:
                self._check_version(coding)
                return member
        if content.open is None or (content.chosen and system in content.open):
            told = f"The codes that {content.url} selects are not known here:"
            raise NotCheckedError(f"{told} {shown(code)} was not checked.")
        if system in content.open:
            return self._systems.get(system, coding.version).find(code)
        return Absent(f"{shown(code)} of {shown(system)} is not in the value set {content.url}.")

    def _check_version(self, coding: Coding) -> None:
        """A member of one version need not be one of another."""
        if coding.version is None or coding.system is None:
            return
        if self._systems.listed(coding.system) is None:
            return
        try:
            self._systems.get(coding.system, coding.version)
        except UnknownError as error:
            raise NotCheckedError(str(error)) from None

    def _content(self, resource: JsonObject) -> Content:
        url, version = resource["url"], resource.get("version")
        code_set = self._definitions.code_set(f"{url}|{version}" if version else url)
        if code_set is None:
            return Content(url, {}, self._named(resource), resource, chosen=True)
        members = {
            key: concept for key, concept in self._candidates(resource) if key in code_set.pairs
        }
        is_chosen = self._excludes(resource)
        return Content(url, members, code_set.whole_systems, resource, chosen=is_chosen)

    def _candidates(self, resource: JsonObject) -> Iterator[tuple[_Key, Concept]]:
        """Everything that the parts of a value set mention, in order."""
        for row in _contained(resource.get("expansion", {}).get("contains", ())):
            yield (row.get("system"), row["code"]), Concept(row["code"], row.get("display"))
        for part in resource.get("compose", {}).get("include", ()):
            yield from self._mentioned(part)

    def _mentioned(self, part: JsonObject) -> Iterator[tuple[_Key, Concept]]:
        system = part.get("system")
        listed = self._systems.listed(system) if system else None
        known = listed.concepts if listed else {}
        if "concept" in part:
            for row in part["concept"]:
                yield (system, row["code"]), _named_as(row, known.get(row["code"]))
        else:
            yield from (((system, code), concept) for code, concept in known.items())
        for canonical in part.get("valueSet", ()):
            inner = self._definitions.find(canonical)
            if inner is not None:
                yield from self._candidates(inner)
            elif (core := self._core.get(canonical.partition("|")[0])) is not None:
                yield from core.members.items()

    def _excludes(self, resource: JsonObject) -> bool:
        """Whether anything is taken out of what is included, at any depth."""
        compose = resource.get("compose", {})
        inner = (
            self._definitions.find(canonical)
            for part in compose.get("include", ())
            for canonical in part.get("valueSet", ())
        )
        return "exclude" in compose or any(one and self._excludes(one) for one in inner)

    def _named(self, resource: JsonObject) -> frozenset[str] | None:
        """Systems that members may come from; None when an included value set is not known."""
        found: set[str] = set()
        for part in resource.get("compose", {}).get("include", ()):
            if "system" in part:
                found.add(part["system"])
                continue
            for canonical in part.get("valueSet", ()):
                inner = self._definitions.find(canonical)
                below = None if inner is None else self._named(inner)
                if below is None:
                    return None
                found |= below
        return frozenset(found) if found else None


def _named_as(row: JsonObject, known: Concept | None) -> Concept:
    """A concept as a value set calls it, which goes before what its system calls it."""
    concept = known or Concept(row["code"])
    given = tuple(row.get("designation", ()))
    return replace(
        concept,
        display=row.get("display", concept.display),
        designations=given + concept.designations,
    )


def _contained(rows: Iterable[JsonObject]) -> Iterator[JsonObject]:
    for row in rows:
        if "code" in row and not row.get("abstract"):
            yield row
        yield from _contained(row.get("contains", ()))


def _of_core(url: str, row: dict[str, list[str] | None]) -> Content:
    members: dict[_Key, Concept] = {
        (system, code): Concept(code) for system, codes in row.items() for code in codes or ()
    }
    return Content(
        url, members, frozenset(system for system, codes in row.items() if codes is None)
    )
