"""Why a patch was not applied.

PatchError
├── MalformedPatchError      the patch itself makes no sense, whatever it is applied to
└── InapplicablePatchError   it makes sense, and cannot be applied to this resource
"""

from service.fhir.outcome import Finding


class PatchError(ValueError):
    """Nothing was changed. ``finding`` says why; its expression is a place within the patch.

    Messages name paths and operations of the patch, never what the resource holds.
    """

    def __init__(self, diagnostics: str, expression: str = "", code: str | None = None) -> None:
        super().__init__(diagnostics)
        self.finding = Finding("error", code or self.code, expression, diagnostics)

    code = "processing"


class MalformedPatchError(PatchError):
    """The patch does not follow its format."""

    code = "invalid"


class InapplicablePatchError(PatchError):
    """The resource has no such place, holds something else there, or would grow beyond bounds."""
