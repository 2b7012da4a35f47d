"""Why there is no release. Belongs to the record's tree of errors."""

from typing import ClassVar

from service.fhir.outcome import Finding
from service.record.errors import RecordError


class NotReleasable(RecordError):  # noqa: N818  (says what is the case, like its siblings)
    """Nothing was written; ``reason`` says why without naming a child or an exact small number."""

    status: ClassVar[int] = 422
    code: ClassVar[str] = "business-rule"

    def __init__(self, reason: str) -> None:
        super().__init__([Finding("error", self.code, "", reason, key="not-releasable")])
        self.reason = reason

    def __str__(self) -> str:
        return self.reason
