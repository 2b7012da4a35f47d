"""The validator: base standard, document, extensions, profiles; compiled once, applied often."""

from collections.abc import Iterable, Sequence
from typing import Any

from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.json import JsonObject
from service.fhir.outcome import Finding
from service.fhir.validation.bundles import bundle_faults
from service.fhir.validation.claims import Claims
from service.fhir.validation.extensions import Extensions
from service.fhir.validation.forms.questions import questionnaire_faults
from service.fhir.validation.forms.responses import response_faults
from service.fhir.validation.identities import identity_faults
from service.fhir.validation.items import Item
from service.fhir.validation.links import reference_faults
from service.fhir.validation.profiles import Profiles
from service.fhir.validation.report import Report
from service.fhir.validation.rules import ProfileRule
from service.fhir.validation.scope import Scope
from service.fhir.validation.walk import Walk

_ORDER = ("fatal", "error", "warning", "information")


class Validator:
    """Checks resources against base R4 and the loaded profiles. Safe to share between threads."""

    def __init__(
        self,
        definitions: Definitions,
        rules: Iterable[ProfileRule] = (),
        *,
        rest_references: bool = False,
    ) -> None:
        """Compile every loaded profile and extension.

        ``rest_references`` takes a reference such as ``Patient/1`` for the address of a Patient, as
        a server's references are: where a profile wants another type it is refused, not warned of.

        ``refused`` says of each that cannot be applied why; claiming it is warned of like a claim
        of an unknown one. Raises DefinitionError for a rule whose profile is one of them or absent.
        """
        self._definitions = definitions
        self._profiles = Profiles(definitions, rest=rest_references)
        self.refused = self._profiles.compile_loaded()
        self._claims = Claims(self._profiles, tuple(rules))
        self._extensions = Extensions(self._profiles)

    def validate(self, resource: Any, profiles: Sequence[str] = ()) -> list[Finding]:
        """Everything found in a resource as read by ``service.fhir.json``; empty when clean.

        Applied are base R4, the rules of Bundles and references, the known extensions, the profiles
        that apply by rule, those that ``meta.profile`` claims, and ``profiles``. A claimed profile
        that is not known gives a warning, an asked one an error.
        """
        report = Report()
        walk = Walk(report, self._definitions, self._profiles.tools.constraints)
        if not isinstance(resource, dict):
            walk.refuse(resource, "")
            return report.findings
        with self._profiles.one_document():
            self._check(walk, resource, profiles, report)
        return _once(report.findings)

    def _check(
        self, walk: Walk, resource: JsonObject, profiles: Sequence[str], report: Report
    ) -> None:
        root = Scope(resource, str(resource.get("resourceType", "")))
        walk.resource(root)
        for scope in walk.scopes:
            identity_faults(scope, report)
            bundle_faults(scope, report)
            questionnaire_faults(scope, report)
            response_faults(scope, self._definitions, report)
        reference_faults(walk.references, report)
        self._extensions.check(walk.extensions, report)
        for item, canonicals in walk.profiled:
            self._typed(item, canonicals, report)
        for scope in walk.scopes:
            asked = profiles if scope is root else ()
            if not scope.contained:
                self._claims.check(scope, asked, report)

    def _typed(self, item: Item, canonicals: tuple[str, ...], report: Report) -> None:
        """Profiles that the base standard names for a datatype, such as SimpleQuantity."""
        for canonical in canonicals:
            check = self._profiles.get(canonical)
            if check is not None:
                check.check(item, report)


def _once(findings: list[Finding]) -> list[Finding]:
    """Each finding once, the worst first; an unknown code is not told where a set refuses it."""
    refused = {f.expression for f in findings if f.key == "required-binding"}
    kept = (
        finding
        for finding in dict.fromkeys(findings)
        if finding.key != "unknown-code"
        or not refused & {finding.expression, finding.expression.partition(".coding[")[0]}
    )
    return sorted(kept, key=lambda finding: _ORDER.index(finding.severity))


__all__ = ["DefinitionError", "Validator"]
