"""Where findings are gathered."""

from collections.abc import Callable
from dataclasses import dataclass, field

from service.fhir.outcome import Finding, Severity, has_errors

Add = Callable[[Severity, str, str, str, str], None]
"""Severity, FHIR issue type, expression, diagnostics, key."""


@dataclass(slots=True)
class Report:
    """Findings of one check; ``profile`` is the canonical that raises them, None for the base."""

    profile: str | None = None
    findings: list[Finding] = field(default_factory=list)

    def add(self, severity: Severity, code: str, path: str, diagnostics: str, key: str) -> None:
        """Take in one finding."""
        self.findings.append(Finding(severity, code, path, diagnostics, key, self.profile))

    def under(self, profile: str) -> "Report":
        """The same list of findings, for another profile."""
        return Report(profile, self.findings)

    @property
    def failed(self) -> bool:
        """Whether anything found is an error."""
        return has_errors(self.findings)
