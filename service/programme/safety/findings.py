"""What the safety rules find: a rule that holds, what was found, and what that rests on."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

EvidenceKind = Literal["session", "health-state", "programme"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """One stored version that a finding rests on.

    ``id`` and ``version`` are the record's own (for a programme, those of the CarePlan). ``at`` is
    when it happened, as far as that is known. ``found`` says in words what it tells; it stays the
    same while nothing new is told, so that old news can be known as old.
    """

    kind: EvidenceKind
    id: str
    version: int
    at: datetime
    found: str


@dataclass(frozen=True, slots=True)
class SafetyFinding:
    """One rule that holds for a child. A finding for clinicians to weigh, never a diagnosis.

    ``about`` is the key of a regimen or device, or empty. ``found`` is what the logs or the plan
    say, ``expected`` what would not have raised it, thresholds included. Both are about a child
    and stay out of logs. ``since`` is the time of the earliest evidence.
    """

    rule: str
    about: str
    found: str
    expected: str
    evidence: tuple[Evidence, ...]
    since: datetime
