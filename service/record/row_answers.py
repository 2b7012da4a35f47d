"""What became of each row of an upload."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.fhir.json import JsonObject
from service.fhir.outcome import Finding, operation_outcome
from service.programme.alarms import NOT_WATCHED, SAME_DAY
from service.programme.plan import SafetyNet

Status = Literal["accepted", "duplicate", "amended", "refused"]
"""``duplicate``: the record has it already. ``amended``: a new version of what it had."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """Signs that a row names, and what the child's own plan says to do about such signs."""

    signs: tuple[str, ...]
    safety_net: tuple[SafetyNet, ...] = ()


@dataclass(frozen=True, slots=True)
class RowAnswer:
    """The end of one row. ``reference`` is ``Observation/id`` of what the record has.

    ``same_day``: signs with which the family carries on and tells the team.
    """

    row: int
    status: Status
    reference: str | None = None
    findings: Sequence[Finding] = ()
    alarm: Alarm | None = None
    same_day: tuple[str, ...] = ()

    def to_json(self) -> JsonObject:
        """The answer line: ``row``, ``status``, and where there is any ``reference``, ``issue``
        (as in an OperationOutcome), ``notice`` and ``caution`` (sign, action, contact)."""
        line: dict[str, Any] = {"row": self.row, "status": self.status}
        if self.reference:
            line["reference"] = self.reference
        if self.findings:
            line["issue"] = operation_outcome(self.findings)["issue"]
        if self.alarm:
            line["notice"] = self._notice(self.alarm.signs, NOT_WATCHED)
            line["caution"] = [entry.to_json() for entry in self.alarm.safety_net]
        elif self.same_day:
            line["notice"] = self._notice(self.same_day, SAME_DAY)
        return line

    def _notice(self, signs: Sequence[str], what_to_do: str) -> str:
        """Signs are told of refused rows too: a family acts on them, whatever the record takes."""
        begin = "Not logged, but named" if self.status == "refused" else "Logged"
        return f"{begin}: {', '.join(signs)}. {what_to_do}"
