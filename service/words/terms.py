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
    "screen-missing": mark("The safety questions have not been answered."),
    "precaution-untreated-pneumothorax": mark("Air outside the lung (pneumothorax)."),
    "precaution-raised-intracranial-pressure": mark("High pressure in the skull."),
    "precaution-unstable-circulation": mark("Blood pressure is not steady."),
    "precaution-active-haemoptysis": mark("Blood comes up with coughing."),
    "precaution-head-surgery-or-injury": mark("New surgery or injury of the face, mouth or head."),
    "precaution-acute-sinusitis": mark("Sore, blocked sinuses."),
    "precaution-nosebleed": mark("Nose bleeds."),
    "precaution-oesophageal-surgery": mark("Surgery of the food pipe."),
    "precaution-nausea": mark("Feeling sick."),
    "precaution-middle-ear-disease": mark("A torn eardrum or a sore middle ear."),
    "precaution-work-of-breathing": mark("Blowing against a push may be too hard."),
    "precaution-very-breathless": mark("Very short of breath."),
    "precaution-chest-pain": mark("Chest pain that is new or not explained."),
    "precaution-reflux": mark("Food or milk comes back up."),
    "precaution-bronchospasm": mark("Airways can tighten."),
    "precaution-stress-incontinence": mark("Urine can leak with huffs or coughs."),
    "precaution-lung-bullae": mark("Weak air pockets in the lung."),
    "precaution-air-leak-risk": mark("Air may leak from the lung."),
    "precaution-pressure-injury": mark("The lung was hurt by pressure not long ago."),
    "precaution-rib-fracture": mark("A broken rib."),
    "precaution-low-bone-density": mark("Bones that break with ease."),
    "precaution-low-platelets": mark("Blood that is slow to clot."),
    "precaution-burns-or-wounds": mark("Burns or wounds on the chest."),
    "precaution-head-or-neck-instability": mark("An unstable head or neck."),
    "precaution-bleeding-with-instability": mark(
        "Bleeding, and blood pressure that is not steady."
    ),
    "precaution-chest-wall-wound": mark("A wound on the chest that has not healed."),
    "precaution-spinal-surgery": mark("New surgery of the back."),
    "precaution-implanted-device-or-line": mark("An implant or a line under the garment."),
    "precaution-fever-or-illness": mark("Fever or illness now."),
    "precaution-falling-saturation": mark("Oxygen falls with exercise."),
    "precaution-exercise-asthma": mark("Asthma with exercise, not treated yet."),
    "precaution-spleen-or-varices": mark("A large spleen or weak veins: no hard contact."),
    "precaution-dehydration-in-heat": mark("Drying out in the heat."),
    "precaution-young-age": mark("The child is younger than is usual for this."),
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
