"""Which profiles a resource has to meet: by rule, by its own claim, or because it was asked."""

from collections.abc import Iterator, Sequence

from service.fhir.definitions import DefinitionError
from service.fhir.json import JsonObject
from service.fhir.outcome import shown
from service.fhir.validation.facets import HL7
from service.fhir.validation.items import Item
from service.fhir.validation.profile import ProfileCheck
from service.fhir.validation.profiles import Profiles
from service.fhir.validation.report import Report
from service.fhir.validation.rules import ProfileRule
from service.fhir.validation.scope import Scope


class Claims:
    """Applies profiles to resources."""

    def __init__(self, profiles: Profiles, rules: tuple[ProfileRule, ...]) -> None:
        """Raises DefinitionError for a rule whose profile is not loaded."""
        self._profiles = profiles
        self._rules = [(rule, self._required(rule)) for rule in rules]

    def _required(self, rule: ProfileRule) -> ProfileCheck:
        check = self._profiles.get(rule.profile)
        if check is None:
            reason = self._profiles.reason(rule.profile) or "it is not loaded"
            raise DefinitionError(f"the profile {rule.profile} of a rule: {reason}")
        return check

    def check(self, scope: Scope, asked: Sequence[str], report: Report) -> None:
        """Check one resource of the document against every profile that applies to it."""
        checks: dict[str, ProfileCheck] = {}
        for rule, check in self._rules:
            if rule.applies(scope.resource):
                checks[check.canonical] = check
        for canonical, place, claimed in _wanted(scope.resource, scope.path, asked):
            named = self._profiles.get(canonical)
            if named is not None and named.type == scope.type:
                checks[named.canonical] = named
            elif named is not None or not _is_base(canonical, scope.type):
                reason = self._profiles.reason(canonical)
                _not_applied(canonical, place, named, reason, report, claimed=claimed)
        for check in checks.values():
            check.check(Item.of_resource(scope), report)


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
    names = {HL7 + resource_type, f"{HL7}Resource", f"{HL7}DomainResource"}
    return url in names and version in {"", "4.0", "4.0.1"}


def _not_applied(
    canonical: str, place: str, named: ProfileCheck | None, reason: str | None, report: Report,
    *, claimed: bool,
) -> None:  # fmt: skip
    if named is not None:
        text = f"profile {shown(canonical)} is for {named.type}"
        report.add("error", "invalid", place, text, "profile-type")
        return
    why = f"cannot be applied ({reason})" if reason else "is not known in this version"
    text = f"profile {shown(canonical)} {why}: it was not checked"
    report.add("warning" if claimed else "error", "not-found", place, text, "profile-unknown")
