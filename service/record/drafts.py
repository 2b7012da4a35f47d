"""A change made ready outside the write lock: checked, and its index rows worked out."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from service.fhir.json import JsonObject
from service.fhir.outcome import Finding, has_errors
from service.fhir.primitives import CHECKS
from service.fhir.search.terms import IndexRow
from service.record.changes import Change, Create, Delete, Patch, Update
from service.record.errors import Invalid, Malformed

Index = Callable[[JsonObject], Sequence[IndexRow]]
"""What a resource is found by."""


class Validates(Protocol):
    """Whatever checks a resource against the standard and the profiles that apply to it."""

    def validate(self, resource: JsonObject, profiles: Sequence[str] = ()) -> list[Finding]: ...


@dataclass(frozen=True, slots=True)
class Draft:
    """A change that may be written as far as its content goes."""

    change: Change
    type: str
    index: Sequence[IndexRow] = ()


class Drafting:
    """Checks changes. Safe to share between threads if the validator is."""

    def __init__(self, validator: Validates, index: Index) -> None:
        self._validator = validator
        self.index = index

    def draft(self, change: Change) -> Draft:
        """Raises Invalid with every finding, or Malformed when there is no telling what it is."""
        if isinstance(change, (Delete, Patch)):
            _check_match(change, change.type)
            return Draft(change, change.type)
        kind = change.resource.get("resourceType")
        if not isinstance(kind, str):
            raise Malformed.at(change.place, "A resource says what it is in resourceType.")
        _check_id(change, kind)
        _check_match(change, kind)
        findings = self._validator.validate(change.resource)
        if has_errors(findings):
            raise Invalid([placed(finding, change.place) for finding in findings])
        return Draft(change, kind, self.index(change.resource))


def placed(finding: Finding, place: str) -> Finding:
    """The finding with its expression below ``place`` instead of below the resource's type."""
    if not place:
        return finding
    _, dot, rest = finding.expression.partition(".")
    return replace(finding, expression=f"{place}{dot}{rest}")


def _check_match(change: Change, kind: str) -> None:
    if change.match is not None and change.match.type != kind:
        raise Malformed.at(change.place, f"The condition is about {change.match.type}.")


def _check_id(change: Create | Update, kind: str) -> None:
    own = change.id if isinstance(change, Create) else change.resource.get("id")
    if own is None and (isinstance(change, Create) or change.match):
        return
    if CHECKS["id"](own):
        raise Malformed.at(
            f"{change.place or kind}.id",
            "An id has 1 to 64 letters, digits, hyphens and full stops.",
        )
