"""Signs in a session log that are answered to the family at once, whoever reads the log or not.

Which signs those are stands in the table of the safety rules.
"""

from collections.abc import Mapping
from typing import Any

from service.programme.checks.view import View
from service.programme.log import Session
from service.programme.safety import (
    DEFAULT_POLICY,
    SafetyPolicy,
    Signs,
    signs_at_once,
    signs_to_tell,
)

NOT_WATCHED = (
    "Nobody watches these logs. Stop, and do what the plan says; in an emergency call the "
    "emergency number."
)

SAME_DAY = "Nobody watches these logs. Carry on as the plan says, and tell the team the same day."


def alarms(document: Mapping[str, Any], policy: SafetyPolicy = DEFAULT_POLICY) -> tuple[str, ...]:
    """The signs that a session document names and that end the session, in words.

    Takes the raw document, so that a row that is refused for another reason is not passed over;
    what is well formed in it counts. Why a session was stopped is free text, so every stop counts.
    """
    return signs_at_once(_signs(document), policy)


def to_tell(document: Mapping[str, Any], policy: SafetyPolicy = DEFAULT_POLICY) -> tuple[str, ...]:
    """The signs with which the family carries on and tells the team the same day, in words."""
    return signs_to_tell(_signs(document), policy)


def _signs(document: Mapping[str, Any]) -> Signs:
    session = View(Session, document, Session.__name__)
    blood = session.part("blood")
    return Signs(
        blood=blood.value("seen"),
        millilitres=blood.value("volume"),
        scheme=blood.value("scheme"),
        spo2=session.value("spo2"),
        chest_pain=session.value("chestPain") is True,
        faint=session.value("faint") is True,
        stopped_early=str(document.get("stoppedEarly") or "") or None,
    )
