"""What was found, as data, and the OperationOutcome that says it."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from service.fhir.json import JsonError, JsonObject

Severity = Literal["fatal", "error", "warning", "information"]

FINDING_SYSTEM = "https://airway-programmes.example/fhir/CodeSystem/airway-finding"
"""Code system of the keys that name a broken rule in ``issue.details``."""

_LINE = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-line"
_COLUMN = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-col"

_FAILING = frozenset({"fatal", "error"})
_SHORT = 80
_CONTROLS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found in a resource or document.

    ``code`` is a FHIR issue type; ``expression`` a FHIRPath with exact repetitions, counted from 0
    (empty when no place can be named); ``key`` the constraint or rule; ``profile`` the canonical
    that raised it, None for the base standard; ``line`` and ``column`` (from 1, in characters) the
    place in the text that was given, where there is one.
    """

    severity: Severity
    code: str
    expression: str
    diagnostics: str
    key: str | None = None
    profile: str | None = None
    line: int | None = None
    column: int | None = None


def has_errors(findings: Iterable[Finding]) -> bool:
    """Whether any finding forbids accepting what was checked."""
    return any(finding.severity in _FAILING for finding in findings)


def operation_outcome(findings: Iterable[Finding]) -> JsonObject:
    """The findings as one OperationOutcome; with none, one issue says that nothing was found."""
    issues = [_issue(finding) for finding in findings]
    nothing = Finding("information", "informational", "", "No problems were found.")
    return {"resourceType": "OperationOutcome", "issue": issues or [_issue(nothing)]}


def json_finding(error: JsonError) -> Finding:
    """A text that could not be read, with line and column also in its diagnostics."""
    return Finding(
        "error",
        error.code,
        error.path,
        str(error),
        key="json",
        line=error.line,
        column=error.column,
    )


def shown(value: Any) -> str:
    """A found value, short enough for a diagnostic.

    Objects and arrays are named by kind only, so that no name or address of a person is repeated.
    """
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "an array"
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    text = str(value)
    text = text if len(text) <= _SHORT else text[: _SHORT - 3] + "..."
    return f'"{text}"' if isinstance(value, str) else text


def _issue(finding: Finding) -> JsonObject:
    issue: JsonObject = {}
    if finding.line is not None and finding.column is not None:
        issue["extension"] = [
            {"url": _LINE, "valueInteger": finding.line},
            {"url": _COLUMN, "valueInteger": finding.column},
        ]
    issue |= {"severity": finding.severity, "code": finding.code}
    if finding.key:
        issue["details"] = {"coding": [{"system": FINDING_SYSTEM, "code": finding.key}]}
    issue["diagnostics"] = _printable(finding.diagnostics)
    if finding.profile:
        issue["diagnostics"] += f" (profile {finding.profile})"
    if finding.expression:
        issue["expression"] = [_printable(finding.expression)]
    return issue


def _printable(text: str) -> str:
    """What was sent may be repeated in it, and an R4 string holds no other control characters."""
    return _CONTROLS.sub("\N{REPLACEMENT CHARACTER}", text)
