"""The validator: base standard, extensions, profiles; compiled once, applied many times."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import Finding, shown
from service.fhir.validation.base import FoundExtension, Walk
from service.fhir.validation.profile import ProfileCheck
from service.fhir.validation.rules import ProfileRule

_BASE = "http://hl7.org/fhir/StructureDefinition/"


class Validator:
    """Checks resources against base R4 and the loaded profiles. Safe to share between threads."""

    def __init__(self, definitions: Definitions, rules: Iterable[ProfileRule] = ()) -> None:
        """Compile every loaded profile and extension.

        Raises DefinitionError for a profile that cannot be applied, or a rule without its profile.
        """
        self._definitions = definitions
        self._rules = tuple(rules)
        self._checks: dict[str, ProfileCheck] = {}
        for profile in definitions.of_type("StructureDefinition"):
            if profile.get("derivation") == "constraint":
                check = ProfileCheck(profile, definitions)
                self._checks[check.canonical] = check
        self._by_url: dict[str, ProfileCheck] = {}
        for url in {canonical.partition("|")[0] for canonical in self._checks}:
            newest = definitions.find(url)
            version = newest.get("version") if newest else None
            self._by_url[url] = self._checks[f"{url}|{version}" if version else url]
        self._rule_checks = [(rule, self._required(rule)) for rule in self._rules]

    def _required(self, rule: ProfileRule) -> ProfileCheck:
        check = self._check(rule.profile)
        if check is None:
            raise DefinitionError(f"the profile {rule.profile} of a rule is not loaded")
        return check

    def _check(self, canonical: str) -> ProfileCheck | None:
        return self._checks.get(canonical) or self._by_url.get(canonical)

    def validate(self, resource: Any, profiles: Sequence[str] = ()) -> list[Finding]:
        """Everything found in a resource as read by ``service.fhir.json``; empty when clean.

        Applied are base R4, the known extensions, the profiles that apply by rule, those that
        ``meta.profile`` claims, and ``profiles``. A claimed profile that is not known gives a
        warning, an asked one an error.
        """
        walk = Walk()
        walk.resource(resource)
        findings = walk.findings
        for found in walk.extensions:
            findings.extend(self._extension(found, resource))
        for inner, path in walk.resources:
            asked = profiles if inner is resource else ()
            if ".contained[" not in path:
                findings.extend(self._profiled(inner, path, asked))
        return findings

    def _extension(self, found: FoundExtension, resource: JsonObject) -> list[Finding]:
        url = found.value.get("url")
        check = self._by_url.get(url) if isinstance(url, str) else None
        if check is not None and check.type == "Extension":
            return check.findings(found.value, found.path, resource)
        if not found.modifier:
            return []
        text = (
            f"modifier extension {shown(url)} is not known: the element may not mean what it says"
        )
        return [Finding("warning", "extension", found.path, text, "unknown-modifier")]

    def _profiled(self, resource: JsonObject, path: str, asked: Sequence[str]) -> Iterator[Finding]:
        checks: dict[str, ProfileCheck] = {}
        for rule, check in self._rule_checks:
            if rule.applies(resource):
                checks[check.canonical] = check
        for canonical, place, claimed in _wanted(resource, path, asked):
            named = self._check(canonical)
            if named is not None and named.type == resource["resourceType"]:
                checks[named.canonical] = named
            elif named is not None or not _is_base(canonical, resource["resourceType"]):
                yield _not_applied(canonical, place, named, claimed=claimed)
        for check in checks.values():
            yield from check.findings(resource, path, resource)


def _wanted(
    resource: JsonObject, path: str, asked: Sequence[str]
) -> Iterator[tuple[str, str, bool]]:
    """Canonicals claimed in meta.profile and asked for, each with its place."""
    meta = resource.get("meta")
    claims = meta.get("profile") if isinstance(meta, dict) else None
    if isinstance(claims, list):
        for index, canonical in enumerate(claims):
            if isinstance(canonical, str):
                yield canonical, f"{path}.meta.profile[{index}]", True
    for canonical in asked:
        yield canonical, path, False


def _is_base(canonical: str, resource_type: str) -> bool:
    url, _, version = canonical.partition("|")
    return url == _BASE + resource_type and version in {"", "4.0.1"}


def _not_applied(
    canonical: str, place: str, named: ProfileCheck | None, *, claimed: bool
) -> Finding:
    if named is not None:
        text = f"profile {shown(canonical)} is for {named.type}"
        return Finding("error", "invalid", place, text, "profile-type")
    text = f"profile {shown(canonical)} is not known in this version: it was not checked"
    return Finding("warning" if claimed else "error", "not-found", place, text, "profile-unknown")
