"""Code lists: what the core's code systems and value sets hold, without displays or definitions.

Lists of systems that others than HL7 publish are not carried, apart from short ones that the
standard itself selects from ISO, IETF and UCUM; such a system is taken whole, so that no code of it
is ever refused.
"""

from typing import Any

from service.fhir.concepts import Concepts, FilterError

Json = dict[str, Any]
Codes = dict[str, set[str] | None]
"""Codes by system; None for all codes of a system that is not enumerated here."""

_OURS = ("http://hl7.org/fhir/", "http://terminology.hl7.org/")
_SELECTED = ("urn:iso:", "urn:ietf:", "http://unitsofmeasure.org")


class NotEnumerableError(LookupError):
    """A value set that selects in a way which the definitions at hand cannot answer."""


class Terminology:
    """The code systems and value sets of the core package."""

    def __init__(self, systems: list[Json], value_sets: list[Json]) -> None:
        self._systems = {s["url"]: Concepts(s) for s in systems if s.get("content") == "complete"}
        self._value_sets = {value_set["url"]: value_set for value_set in value_sets}

    def code_systems(self) -> dict[str, list[str]]:
        """All codes of every complete code system that HL7 publishes."""
        return {
            url: list(system.codes)
            for url, system in sorted(self._systems.items())
            if url.startswith(_OURS) and system.codes
        }

    def value_sets(self) -> dict[str, Json]:
        """Every value set that can be enumerated: ``{url: {system: [codes] or None}}``."""
        tables = {}
        for url in sorted(self._value_sets):
            try:
                members = self._expand(url)
            except (NotEnumerableError, FilterError):
                continue
            tables[url] = {
                system: None if codes is None else sorted(codes)
                for system, codes in sorted(members.items())
                if codes is None or codes
            }
        return tables

    def _expand(self, url: str) -> Codes:
        compose = self._value_sets.get(url, {}).get("compose")
        if not compose:
            raise NotEnumerableError(url)
        members: Codes = {}
        for part in compose.get("include", []):
            for system, codes in self._part(part).items():
                known = members.get(system, set())
                members[system] = None if codes is None or known is None else known | codes
        for part in compose.get("exclude", []):
            for system, codes in self._part(part).items():
                kept = members.get(system)
                if codes is not None and kept is not None:
                    members[system] = kept - codes
        return members

    def _part(self, part: Json) -> Codes:
        chosen = self._of_system(part) if "system" in part else None
        for url in part.get("valueSet", []):
            inner = self._expand(url.partition("|")[0])
            chosen = inner if chosen is None else _both(chosen, inner)
        return chosen or {}

    def _of_system(self, part: Json) -> Codes:
        url = part["system"]
        if "concept" in part:
            listed = {concept["code"] for concept in part["concept"]}
            return {url: listed if url.startswith(_OURS + _SELECTED) else None}
        system = self._systems.get(url)
        if system is None or not system.codes or not url.startswith(_OURS):
            return {url: None}
        codes = set(system.codes)
        for rule in part.get("filter", []):
            codes &= system.selected(rule)
        return {url: codes - system.abstract()}


def _both(left: Codes, right: Codes) -> Codes:
    met: Codes = {}
    for system in left.keys() & right.keys():
        one, other = left[system], right[system]
        met[system] = other if one is None else one if other is None else one & other
    return met
