"""R4 Timing values as schedules of the trade, so that published cases can be used."""

from typing import Any

_SAME = (
    "count", "countMax", "duration", "durationMax", "durationUnit", "frequency", "frequencyMax",
    "period", "periodMax", "periodUnit", "dayOfWeek", "timeOfDay", "when", "offset",
)  # fmt: skip


def schedule_json(timing: dict[str, Any]) -> dict[str, Any]:
    """The JSON of the schedule that says what a ``Timing`` says."""
    repeat = timing.get("repeat", {})
    schedule = {name: repeat[name] for name in _SAME if name in repeat}
    if "boundsPeriod" in repeat:
        schedule["bounds"] = repeat["boundsPeriod"]
    if "boundsDuration" in repeat:
        length = repeat["boundsDuration"]
        schedule["boundsDuration"] = {"value": length["value"], "unit": length["code"]}
    if "boundsRange" in repeat:
        schedule["boundsRange"] = {
            end: {"value": length["value"], "unit": length["code"]}
            for end, length in repeat["boundsRange"].items()
        }
    if "event" in timing:
        schedule["event"] = timing["event"]
    return schedule
