"""Why a question about codes has no answer here.

TerminologyError
├── UnknownError      no such system, value set, map or code is loaded    404, error
└── NotCheckedError   nothing here can tell, so nothing was judged        422, information

R4 has no boolean that says "not checked" ($validate-code must give ``result``), and of $validate
it says that a 4xx means that the check could not be performed and that it is unknown whether the
content is valid. So what cannot be judged is never answered with true or false.
"""

from typing import ClassVar

from service.fhir.outcome import Finding, Severity


class TerminologyError(Exception):
    """``status`` is the HTTP status that a server answers with, ``findings`` say why."""

    status: ClassVar[int]
    severity: ClassVar[Severity]
    code: ClassVar[str]

    def __init__(self, diagnostics: str) -> None:
        super().__init__(diagnostics)
        self.findings = [Finding(self.severity, self.code, "", diagnostics)]


class UnknownError(TerminologyError):
    """What was named is not loaded."""

    status = 404
    severity = "error"
    code = "not-found"


class NotCheckedError(TerminologyError):
    """The codes of a system, or the way a value set selects them, are not held here."""

    status = 422
    severity = "information"
    code = "not-supported"
