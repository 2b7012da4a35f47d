"""What a check finds: problems as data, and the document when there are none."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Generic, Literal, TypeVar

from service.programme.precautions import ANSWERABLE

DocumentT = TypeVar("DocumentT")

MESSAGES: Mapping[str, str] = MappingProxyType(
    {
        "missing": "this is required",
        "unknown-field": "the document has no field of this name",
        "unknown-code": "the value is not one of those known",
        "wrong-shape": "the value has the wrong kind",
        "wrong-value": "the value cannot be read",
        "impossible-number": "the number is impossible here",
        "impossible-date": "the date is impossible",
        "band-upside-down": "the low end of the band is above its high end",
        "end-before-start": "the end is before the start",
        "before-birth": "this is before the child was born",
        "unknown-technique": "the technique is not in the catalogue",
        "unknown-position": "the position is not in the catalogue",
        "unknown-device-kind": "the kind of device is not in the catalogue",
        "unknown-goal-measure": "the measure of the goal is not known",
        "unknown-zone": "there is no such time zone",
        "zone-order": "zones come in order, and each but the first says since when",
        "duplicate-key": "another entry has the same key",
        "two-doses": "another regimen gives a dose for the same technique, state and time",
        "unknown-device": "the programme asks for no such device",
        "unwell-rule": "an unwell regimen, and only that, says whether it replaces or adds",
        "unknown-override": "the override names nothing that is in the programme",
        "position-twice": "the same position is spoken of twice",
        "child-identifier": "a child that is described here needs an identifier",
        "who-it-is": "it needs a reference or a description",
        "reference-and-description": "a reference stands alone",
        "bad-reference": "this is not a reference",
        "dose-part-missing": "the dose does not say what it must",
        "build-up-above-target": "a build-up begins with at most as many breaths as its target",
        "setting-off-scale": "the device's scale has no such setting",
        "schedule-duration-unit": "a length needs its unit",
        "schedule-period-unit": "a period needs its unit",
        "schedule-period-range": "a longest period needs a period",
        "schedule-duration-range": "a longest length needs a length",
        "schedule-count-range": "a largest number needs a number",
        "schedule-frequency-range": "most often needs how often",
        "schedule-offset": "an offset needs an event of the day other than the meal itself",
        "schedule-time-or-event": "clock times or events of the day, not both",
        "schedule-range": "the upper end of the range is below the lower one",
        "schedule-times-and-frequency": "how often a day and the clock times contradict",
        "schedule-frequency-of-what": "how often needs a period: so many times in how long",
        "schedule-too-often": "nobody can do it as often as that",
        "schedule-length": "months and years have no fixed length",
        "schedule-two-bounds": "a schedule has one kind of bounds",
        "unknown-precaution": "the safety screen does not ask about this",
        "unknown-step": "a technique review has no such step",
        "step-twice": "the same step is judged twice",
        "screen-unknown": "the safety screen leaves this open; it must be asked",
        **ANSWERABLE,
    }
)
"""Every key that a check can answer with, and what it says."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, or that a clinician has to accept by name.

    ``path`` reads like ``Programme.regimen[1].dose.breaths``. ``key`` is one of ``MESSAGES`` and
    stable, so other programs may rely on it. ``found`` may be about a child and stays out of logs.
    ``source`` is where the rule comes from, of a caution or warning that has one of its own. A
    warning refuses nothing.
    """

    path: str
    kind: Literal["refused", "caution", "warning"]
    key: str
    found: Any
    expected: str
    source: str | None = None

    @property
    def message(self) -> str:
        """What is wrong, in words that hold nothing of what was found."""
        return MESSAGES[self.key]


@dataclass(frozen=True, slots=True)
class Checked(Generic[DocumentT]):
    """``value`` is the document, or None when ``problems`` is not empty.

    ``accepted`` are the cautions that the document overrides by name and reason, ``warnings`` what
    else should be known of it; show both where somebody acts on the document.
    """

    value: DocumentT | None
    problems: tuple[Problem, ...] = ()
    accepted: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()


def refused(path: str, key: str, found: Any, expected: str) -> Problem:
    """A problem that nobody can accept."""
    return Problem(path, "refused", key, found, expected)
