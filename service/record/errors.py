"""What the record refuses, and why.

RecordError
├── Malformed             the request itself makes no sense                          400
├── NotFound              there is no such resource, or the caller may not know it    404
├── Gone                  the resource was deleted                                    410
├── Conflict              somebody else was there first: version, identity            412
│   ├── Moved             a look-up that the writer relied upon leads elsewhere by now
│   └── Exists            what was to be made is there already                         409
├── TooLong               a resource that could not be read again once it is stored   413
├── Invalid               a resource breaks the standard or a profile                 422
├── PreconditionRequired  the version that is being changed must be named             428
├── Busy                  the store could not be written in time; try again           503
└── Away                  the store cannot be reached; try again later                503

Every error carries findings. ``status`` is the HTTP status that a server answers with.
"""

# ruff: noqa: N818  (the names say what is the case)

from collections.abc import Sequence
from typing import ClassVar, Self

from service.fhir.outcome import Finding


class RecordError(Exception):
    """Nothing was written, or nothing may be read. ``findings`` say why, each at its place."""

    status: ClassVar[int] = 500
    code: ClassVar[str] = "processing"

    def __init__(self, findings: Sequence[Finding]) -> None:
        super().__init__(type(self).__name__)
        self.findings = tuple(findings)

    @classmethod
    def at(cls, expression: str, diagnostics: str) -> Self:
        """The error with a single finding of the class's own issue type."""
        return cls([Finding("error", cls.code, expression, diagnostics)])


class Malformed(RecordError):
    """The request makes no sense, whatever is stored."""

    status = 400
    code = "invalid"


class NotFound(RecordError):
    """There is no such resource or version for this caller."""

    status = 404
    code = "not-found"


class Gone(RecordError):
    """The resource, or this version of it, is a deletion."""

    status = 410
    code = "deleted"


class Conflict(RecordError):
    """The state that the writer relied upon is not the state of the record."""

    status = 412
    code = "conflict"


class Moved(Conflict):
    """A look-up that the writer relied upon leads elsewhere by now; planning anew may help."""


class Exists(Conflict):
    """What was to be made is there already; it may be changed, not made again."""

    status = 409


class Invalid(RecordError):
    """One or more resources break the standard or a profile; findings list every problem."""

    status = 422
    code = "invariant"


class TooLong(RecordError):
    """With the server's own metadata the resource would be longer than what can be read."""

    status = 413
    code = "too-long"


class PreconditionRequired(RecordError):
    """The writer must say which version is being changed."""

    status = 428
    code = "business-rule"


class Busy(RecordError):
    """Somebody else wrote for too long. The same request may succeed later."""

    status = 503
    code = "transient"


class Away(RecordError):
    """The store cannot be reached. Its ``__cause__`` is the store's error, for the log."""

    status = 503
    code = "transient"
