"""Findings that matter to a writer: not the information, such as the advice to have a narrative."""

from collections.abc import Iterable

from service.fhir.outcome import Finding


def serious(findings: Iterable[Finding]) -> list[Finding]:
    """Errors and warnings."""
    return [finding for finding in findings if finding.severity != "information"]
