"""Signs in a session log on which the family must act at once, whoever reads the log or does not.

Common practice: more than streaks of fresh blood, pain in the chest, faintness, or a session that
was stopped, end the session and are a reason to call, as the plan says.
"""

from collections.abc import Mapping
from typing import Any

NOT_WATCHED = (
    "Nobody watches these logs. Stop, and do what the plan says; in an emergency call the "
    "emergency number."
)


def alarms(document: Mapping[str, Any]) -> tuple[str, ...]:
    """The signs that a session document names, in words.

    Takes the raw document, so that a row that is refused for another reason is not passed over.
    Why a session was stopped is free text, so every stop counts.
    """
    blood = document.get("blood")
    found = {
        "more than streaks of blood": (
            isinstance(blood, Mapping) and blood.get("seen") == "more-than-streaks"
        ),
        "chest pain": document.get("chestPain") is True,
        "faintness": document.get("faint") is True,
        "stopped early": bool(document.get("stoppedEarly")),
    }
    return tuple(sign for sign, is_there in found.items() if is_there)
