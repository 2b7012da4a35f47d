"""The trade's codes in words that a family knows.

What has no entry here is shown by its code: exact, if not pretty.
"""

from collections.abc import Mapping

from service.programme.schedule import DayEvent
from service.words.wording import mark

Terms = Mapping[str, str]

TECHNIQUES: Terms = {
    "pep": mark("PEP: blowing out against a push"),
    "opep": mark("Shaking PEP: blowing out with a shake"),
    "high-pressure-pep": mark("High-pressure PEP: blowing out hard"),
    "acbt": mark("Active cycle of breathing"),
    "autogenic-drainage": mark("Autogenic drainage: slow breathing out"),
    "assisted-autogenic-drainage": mark("Autogenic drainage with an adult's hands"),
    "postural-drainage": mark("Drainage positions with clapping"),
    "hfcwo": mark("Shaking garment"),
    "mi-e": mark("Cough machine"),
    "exercise": mark("Exercise"),
    "huff": mark("Huffs"),
}
POSITIONS: Terms = {
    "upright": mark("Sit up straight"),
    "reclined": mark("Sit and lean back"),
    "side-lying-left": mark("Lie on the left side"),
    "side-lying-right": mark("Lie on the right side"),
    "prone": mark("Lie on the front"),
    "supine": mark("Lie flat on the back"),
    "lap": mark("On an adult's lap"),
    "standing": mark("Stand or move"),
    "head-down": mark("Head lower than the body"),
}
DEVICES: Terms = {
    "pep-mask": mark("PEP mask"),
    "pep-mouthpiece": mark("PEP mouthpiece"),
    "opep-handheld": mark("Hand-held shaking PEP device"),
    "high-pressure-pep-mask": mark("High-pressure PEP mask"),
    "hfcwo-garment": mark("Shaking garment and its pump"),
    "mi-e-machine": mark("Cough machine"),
    "huffing-tube": mark("Huffing tube"),
}
INTERFACES: Terms = {
    "mouthpiece": mark("Mouthpiece"),
    "mask": mark("Mask"),
    "garment": mark("Garment"),
}
PLACES: Terms = {
    "home": mark("at home"),
    "school": mark("at school"),
    "elsewhere": mark("in other places"),
}
CARE_TASKS: Terms = {
    "clean": mark("Clean"),
    "disinfect": mark("Disinfect"),
    "replace": mark("Replace"),
    "check": mark("Check"),
}
BASES: Terms = {
    "cycles": mark("Counted in rounds"),
    "minutes": mark("Counted in minutes"),
    "sets": mark("Counted in sets"),
    "none": mark("Not counted"),
}
GOAL_MEASURES: Terms = {
    "sessions-per-week": mark("Sessions in a week"),
    "exercise-minutes": mark("Minutes of exercise in a week"),
    "own-words": mark("In the child's own words"),
}
CAUTIONS: Terms = {
    "mouthpiece-under-age": mark("The child is younger than is usual for a mouthpiece."),
    "oscillation-irritable-airways": mark("Shaking can upset airways that tighten with ease."),
    "supine-with-mouthpiece": mark("Lying flat on the back with a mouthpiece is not usual."),
    "head-down": mark("Lying with the head low is not usual."),
    "pressure-outside-band": mark("The pressure is not in the usual range."),
}

EVENTS: Mapping[DayEvent, str] = {
    "MORN": mark("in the morning"),
    "MORN.early": mark("early in the morning"),
    "MORN.late": mark("late in the morning"),
    "NOON": mark("at noon"),
    "AFT": mark("in the afternoon"),
    "AFT.early": mark("early in the afternoon"),
    "AFT.late": mark("late in the afternoon"),
    "EVE": mark("in the evening"),
    "EVE.early": mark("early in the evening"),
    "EVE.late": mark("late in the evening"),
    "NIGHT": mark("at night"),
    "PHS": mark("after falling asleep"),
    "HS": mark("before going to bed"),
    "WAKE": mark("after waking up"),
    "C": mark("with each meal"),
    "CM": mark("with breakfast"),
    "CD": mark("with lunch"),
    "CV": mark("with supper"),
    "AC": mark("before each meal"),
    "ACM": mark("before breakfast"),
    "ACD": mark("before lunch"),
    "ACV": mark("before supper"),
    "PC": mark("after each meal"),
    "PCM": mark("after breakfast"),
    "PCD": mark("after lunch"),
    "PCV": mark("after supper"),
}
"""Events of the day (HL7 FHIR R4, value set event-timing)."""

EVENTS_FROM: Mapping[DayEvent, str] = {
    "PHS": mark("{length} after falling asleep"),
    "HS": mark("{length} before going to bed"),
    "WAKE": mark("{length} after waking up"),
    "AC": mark("{length} before each meal"),
    "ACM": mark("{length} before breakfast"),
    "ACD": mark("{length} before lunch"),
    "ACV": mark("{length} before supper"),
    "PC": mark("{length} after each meal"),
    "PCM": mark("{length} after breakfast"),
    "PCD": mark("{length} after lunch"),
    "PCV": mark("{length} after supper"),
}
"""Those that themselves say before or after, with an offset."""

PARTS_OF_DAY: Mapping[DayEvent, str] = {
    "MORN": mark("morning"),
    "NOON": mark("noon"),
    "AFT": mark("afternoon"),
    "EVE": mark("evening"),
    "NIGHT": mark("night"),
}
"""Those that can stand behind "every"."""
