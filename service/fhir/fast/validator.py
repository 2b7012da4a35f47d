"""The validator for daily use: quick where nothing is wrong, precise where something is."""

from collections.abc import Iterable, Sequence
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.fast.path import FastPath
from service.fhir.json import JsonError, read
from service.fhir.outcome import Finding, json_finding
from service.fhir.validation import ProfileRule, Validator


class QuickValidator(Validator):
    """Asks the quick path first. A clean resource has no findings, not even advice."""

    def __init__(
        self,
        definitions: Definitions,
        rules: Iterable[ProfileRule] = (),
        *,
        rest_references: bool = False,
    ) -> None:
        """As for ``Validator``; the quick path takes references for REST addresses in any case."""
        known = tuple(rules)
        super().__init__(definitions, known, rest_references=rest_references)
        self.quick = FastPath(definitions, known)

    def validate(self, resource: Any, profiles: Sequence[str] = ()) -> list[Finding]:
        """Everything found in a resource as read by ``service.fhir.json``; empty when clean."""
        if isinstance(resource, dict) and self.quick.is_clean(resource, profiles):
            return []
        return super().validate(resource, profiles)

    def validate_text(self, data: bytes, profiles: Sequence[str] = ()) -> list[Finding]:
        """The same for JSON text; what cannot be read is one finding."""
        if self.quick.is_clean_text(data, profiles):
            return []
        try:
            resource = read(data)
        except JsonError as error:
            return [json_finding(error)]
        return super().validate(resource, profiles)

    def diagnose(self, resource: Any, profiles: Sequence[str] = ()) -> list[Finding]:
        """Everything found, advice included."""
        return super().validate(resource, profiles)
