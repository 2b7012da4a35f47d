"""The clinician's words for the codes that the review shows."""

from collections.abc import Mapping

from service.programme.adherence import FigureName
from service.programme.adherence.figures import Reason
from service.words import mark

NAMES: Mapping[str, str] = {
    "pep": mark("Positive expiratory pressure"),
    "opep": mark("Oscillating positive expiratory pressure"),
    "high-pressure-pep": mark("High-pressure positive expiratory pressure"),
    "acbt": mark("Active cycle of breathing techniques"),
    "autogenic-drainage": mark("Autogenic drainage"),
    "assisted-autogenic-drainage": mark("Assisted autogenic drainage"),
    "postural-drainage": mark("Modified postural drainage with percussion"),
    "hfcwo": mark("High-frequency chest wall oscillation"),
    "mi-e": mark("Mechanical insufflation-exsufflation"),
    "exercise": mark("Exercise as airway clearance"),
    "huff": mark("Huff (forced expiration)"),
}
"""Techniques, by the names that the catalogue has."""

STEPS: Mapping[str, str] = {
    "seal": mark("Seal"),
    "posture": mark("Posture"),
    "cheeks-firm": mark("Cheeks firm"),
    "in-breath": mark("In-breath"),
    "hold": mark("Hold"),
    "out-breath": mark("Out-breath"),
    "in-out-ratio": mark("In-breath to out-breath"),
    "pressure-in-band": mark("Pressure in the band"),
    "breaths-per-cycle": mark("Breaths in a cycle"),
    "huff-open-throat": mark("Huff with an open throat"),
    "huff-without-wheeze": mark("Huff without wheeze"),
    "breathing-control": mark("Breathing control"),
    "cough-last": mark("Cough last"),
    "cleaning-shown": mark("Cleaning shown back"),
}
METHODS: Mapping[str, str] = {
    "in-clinic": mark("in clinic"),
    "remote": mark("at a distance"),
    "home-visit": mark("home visit"),
}
STATES: Mapping[str, str] = {
    "well": mark("well"),
    "unwell": mark("unwell"),
    "any": mark("well or unwell"),
}
FIGURES: Mapping[FigureName, str] = {
    "sessions": mark("Sessions done, of those due"),
    "days": mark("Days with everything done, of what is due by the day"),
    "any": mark("Days with anything done, of what is due by the day"),
    "logged": mark("Sessions done, of those due on days with a log"),
    "dose": mark("Prescribed dose done, mean of sessions due"),
}
REASONS: Mapping[Reason, str] = {
    "no-plan": mark("no plan was in force"),
    "no-schedule": mark("nothing was scheduled"),
    "all-paused": mark("all of it was paused"),
    "no-daily-regimen": mark("nothing was due by the day"),
    "nothing-logged": mark("nobody logged"),
    "no-dose-basis": mark("no dose is counted"),
}
AMOUNTS: Mapping[str, str] = {
    "none-seen": mark("none seen"),
    "teaspoon": mark("teaspoon"),
    "tablespoon": mark("tablespoon"),
    "egg-cup": mark("egg cup"),
    "more": mark("more"),
}
COLOURS: Mapping[str, str] = {
    "clear": mark("clear"),
    "white": mark("white"),
    "grey": mark("grey"),
    "yellow": mark("yellow"),
    "green": mark("green"),
    "rust": mark("rust"),
    "brown": mark("brown"),
    "pink": mark("pink"),
    "black": mark("black"),
}
SIGNS: Mapping[str, str] = {
    "blood": mark("blood"),
    "chest-pain": mark("chest pain"),
    "faint": mark("felt faint"),
    "stopped-early": mark("stopped early"),
}
BLOOD: Mapping[str, str] = {
    "none": mark("none seen"),
    "streaks": mark("streaks"),
    "more-than-streaks": mark("more than streaks"),
}
SEVERITIES: Mapping[str, str] = {
    "high": mark("high"),
    "moderate": mark("moderate"),
    "low": mark("low"),
}
ENDINGS: Mapping[str, str] = {
    "matched": mark("matched to what was due"),
    "extra": mark("extra"),
    "over": mark("beyond the most asked for"),
    "duplicate": mark("told twice"),
    "not-done": mark("told as not done"),
    "doubtful": mark("clock in doubt"),
    "excluded": mark("must not count"),
}
