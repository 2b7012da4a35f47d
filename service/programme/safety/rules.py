"""The safety rules: one table of what is looked for, from which number on, and who says so.

Every rule is a starting point for the clinical lead, who may switch it off and set its numbers
(``policy.py``). A rule tells a team of something to look at; it diagnoses nothing and changes no
prescription. Rules whose source nobody could verify are off until a clinic switches them on. Days
without a log are never a sign and never zero sputum: no rule looks at them.
"""

from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType
from typing import Literal

Urgency = Literal["emergency", "urgent", "same-day", "routine"]
Standing = Literal["published", "common practice", "unverified"]
Subject = Literal["session", "health-state", "programme"]


@dataclass(frozen=True, slots=True)
class Source:
    """Who says so, with an address where the work has one."""

    text: str
    standing: Standing
    uri: str | None = None


@dataclass(frozen=True, slots=True)
class Threshold:
    """A number that a clinic may set. Without ``default`` it is for the plan to say, or the clinic.

    ``unit`` is a word for people. Counts and days are ``whole``.
    """

    name: str
    default: Decimal | None
    unit: str
    whole: bool = True


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule.

    ``expected`` is what does not raise it, with its thresholds by name. ``advice`` defers to the
    plan and the team. ``at_once`` names the sign where the family must stop and act whoever reads
    the log, ``carry_on`` where it goes on and tells the team; both are told in the answer to the
    log itself. ``looks_at`` is what may bring it about.
    """

    code: str
    title: str
    looks_at: Subject
    urgency: Urgency
    expected: str
    advice: str
    source: Source
    thresholds: tuple[Threshold, ...] = ()
    at_once: str | None = None
    carry_on: str | None = None

    def expected_at_first(self) -> str:
        """What does not raise it, with the numbers that it comes with."""
        unset = "as many as the plan or else the clinic says"
        numbers = {one.name: one.default for one in self.thresholds}
        return self.expected.format(
            **{name: unset if number is None else number for name, number in numbers.items()}
        )


def _number(name: str, default: str | None, unit: str, *, whole: bool = True) -> Threshold:
    return Threshold(name, None if default is None else Decimal(default), unit, whole)


_TRIAL = Source(
    "Major criteria of an early-infection trial, table 3 (PMC3844027)",
    "published",
    "https://www.ncbi.nlm.nih.gov/pmc/articles/PMC3844027/",
)
_TRIAL_ON_BLOOD = Source(
    "Urgent when repeated: the week and the number of occasions are those of an early-infection "
    "trial, table 3 (PMC3844027), which counts more than streaks; streaks are counted here too",
    "published",
    "https://www.ncbi.nlm.nih.gov/pmc/articles/PMC3844027/",
)
_SCANT = Source(
    "Cystic fibrosis guideline on haemoptysis, Am J Respir Crit Care Med 2010;182:298, read "
    "second-hand; other schemes draw other lines",
    "published",
)
_DAYS_OF_BLOOD = Source(
    "Extract of a paediatric emergency textbook, which says some days; two is this project's "
    "reading of that",
    "published",
)
_FIRST = Source(
    "A page for patients that cites the guideline of 2010, read second-hand", "published"
)
_PRACTICE = Source("Common practice", "common practice")
_PRACTICE_NO_NUMBER = Source(
    "Common practice; the number is this project's own starting value", "common practice"
)
_PRACTICE_AND_VOLUME = Source(
    "Common practice; the volume is that of Am J Respir Crit Care Med 2010;182:298, read "
    "second-hand, and other schemes draw other lines",
    "common practice",
)
_CHILDREN_FROM_MEMORY = Source(
    "Guideline on bronchiectasis in children, Eur Respir J 2021;58:2002990, from memory, to be "
    "confirmed",
    "unverified",
)

_STOP_AND_CALL = (
    "Stop the session and do what the plan says for this sign; the team decides about going on."
)
_USUAL = (
    _number("readings", "5", "readings"),
    _number("usual_days", "90", "days"),
)
"""A usual value needs so many readings of well days in so many days before."""

_ALL = (
    Rule(
        code="chest-pain",
        title="Chest pain during a session",
        looks_at="session",
        urgency="emergency",
        expected="no chest pain",
        advice=f"{_STOP_AND_CALL} Treat it as an emergency until a clinician says otherwise.",
        source=_PRACTICE,
        at_once="chest pain",
    ),
    Rule(
        code="faintness",
        title="Faintness during a session",
        looks_at="session",
        urgency="emergency",
        expected="no faintness",
        advice=f"{_STOP_AND_CALL} Treat it as an emergency until a clinician says otherwise.",
        source=_PRACTICE,
        at_once="faintness",
    ),
    Rule(
        code="blood-massive",
        title="Blood in large quantity",
        looks_at="session",
        urgency="emergency",
        expected="at most {millilitres} mL in any {hours} hours",
        advice=f"{_STOP_AND_CALL} No positive pressure until the team has said so.",
        source=_SCANT,
        thresholds=(
            _number("millilitres", "240", "mL", whole=False),
            _number("hours", "24", "hours"),
        ),
        at_once="much blood",
    ),
    Rule(
        code="blood-massive-days",
        title="Much blood on several days",
        looks_at="session",
        urgency="emergency",
        expected="fewer than {days} days in {within_days} with more than {millilitres} mL",
        advice=f"{_STOP_AND_CALL} No positive pressure until the team has said so.",
        source=_DAYS_OF_BLOOD,
        thresholds=(
            _number("millilitres", "100", "mL", whole=False),
            _number("days", "2", "days"),
            _number("within_days", "7", "days"),
        ),
    ),
    Rule(
        code="blood-more",
        title="More than streaks of blood",
        looks_at="session",
        urgency="urgent",
        expected="less than {millilitres} mL and no more than streaks",
        advice="Stop positive pressure and do what the plan says; the team decides about going on.",
        source=_PRACTICE_AND_VOLUME,
        thresholds=(_number("millilitres", "5", "mL", whole=False),),
        at_once="more than streaks of blood",
    ),
    Rule(
        code="blood-repeated",
        title="Blood on more than one occasion in a week",
        looks_at="session",
        urgency="urgent",
        expected="fewer than {occasions} occasions in {days} days",
        advice="The team looks at it now and decides whether the programme goes on as it is.",
        source=_TRIAL_ON_BLOOD,
        thresholds=(_number("occasions", "2", "occasions"), _number("days", "7", "days")),
    ),
    Rule(
        code="blood-first",
        title="First blood that the record knows of",
        looks_at="session",
        urgency="same-day",
        expected="no blood",
        advice="The team is told the same day, whatever the amount.",
        source=_FIRST,
    ),
    Rule(
        code="blood-scant",
        title="Streaks or a trace of blood",
        looks_at="session",
        urgency="same-day",
        expected="no blood; what is more than scant has a rule of its own",
        advice="Carry on as the plan says and tell the team the same day.",
        source=_SCANT,
        carry_on="a little blood",
    ),
    Rule(
        code="oxygen-low",
        title="Low oxygen saturation",
        looks_at="session",
        urgency="urgent",
        expected="{percent} % or more",
        advice="Do what the plan says for this sign; a log does not say whether oxygen was given.",
        source=_TRIAL,
        thresholds=(_number("percent", "90", "%", whole=False),),
        at_once="low oxygen saturation",
    ),
    Rule(
        code="oxygen-drop",
        title="Oxygen saturation below what is usual for the child",
        looks_at="session",
        urgency="urgent",
        expected="less than {points} points below the usual value, the middle one of at least "
        "{readings} readings on well days of the {usual_days} days before",
        advice="The team compares it with what it knows of the child; readings at home vary.",
        source=Source(
            f"{_TRIAL.text}; how the usual value is found is this project's own",
            "published",
            _TRIAL.uri,
        ),
        thresholds=(_number("points", "5", "points", whole=False), *_USUAL),
    ),
    Rule(
        code="breathlessness-rise",
        title="More breathless than is usual for the child",
        looks_at="session",
        urgency="same-day",
        expected="less than {points} points above the usual value, the middle one of at least "
        "{readings} readings on well days of the {usual_days} days before",
        advice="The team is told the same day; breathlessness that does not settle is for the "
        "plan's own instructions.",
        source=_PRACTICE_NO_NUMBER,
        thresholds=(_number("points", "3", "points", whole=False), *_USUAL),
    ),
    Rule(
        code="stopped-early",
        title="A session was stopped early",
        looks_at="session",
        urgency="same-day",
        expected="a session done to its end",
        advice="The team reads why; the reason is in the family's own words, so every stop counts.",
        source=_PRACTICE,
        at_once="stopped early",
    ),
    Rule(
        code="tolerance-falling",
        title="The prescribed amount is no longer reached",
        looks_at="session",
        urgency="routine",
        expected="the prescribed amount in one of {sessions} sessions in a row, as it was reached "
        "before",
        advice="The team asks why; no log is needed from the family for days without one.",
        source=_PRACTICE_NO_NUMBER,
        thresholds=(_number("sessions", "3", "sessions"),),
    ),
    Rule(
        code="setting-differs",
        title="The device was set otherwise than prescribed",
        looks_at="session",
        urgency="routine",
        expected="the prescribed setting, or at most {steps} off it",
        advice="The team asks whether device or plan should change; nothing is changed here.",
        source=_PRACTICE,
        thresholds=(_number("steps", "0", "steps of the device's own scale", whole=False),),
    ),
    Rule(
        code="lying-flat",
        title="Lying flat on the back with a mouthpiece",
        looks_at="session",
        urgency="routine",
        expected="upright or on the side, unless the plan allows lying flat",
        advice="The team goes through the position with the family.",
        source=_PRACTICE,
    ),
    Rule(
        code="sputum-darker",
        title="Sputum darker than usual for days",
        looks_at="session",
        urgency="same-day",
        expected="fewer than {days} days in a row with a darker colour than the usual one, the "
        "middle one of at least {readings} readings on well days of the {usual_days} days before",
        advice="The team is told; a colour alone says little.",
        source=_CHILDREN_FROM_MEMORY,
        thresholds=(_number("days", "3", "days"), *_USUAL),
    ),
    Rule(
        code="unwell-without-step-up",
        title="Unwell days with less logged than is due on them",
        looks_at="health-state",
        urgency="same-day",
        expected="all that is due on unwell days, on one of the last {days} unwell days with a log",
        advice="The team asks what would help; days without a log are not counted.",
        source=_PRACTICE_NO_NUMBER,
        thresholds=(_number("days", "2", "days"),),
    ),
    Rule(
        code="unwell-beyond",
        title="Unwell for longer than agreed",
        looks_at="health-state",
        urgency="same-day",
        expected="unwell for at most {days} days",
        advice="The team is told, as agreed with the family for an illness that lasts.",
        source=Source(
            "Common practice; the days are those agreed in the plan, else the clinic's",
            "common practice",
        ),
        thresholds=(_number("days", None, "days"),),
    ),
    Rule(
        code="review-overdue",
        title="The review of the programme is overdue",
        looks_at="programme",
        urgency="routine",
        expected="a new plan at most {days} days after the review was due",
        advice="The team arranges the review or dates it anew.",
        source=_PRACTICE,
        thresholds=(_number("days", "0", "days"),),
    ),
    Rule(
        code="replacement-overdue",
        title="A part of the device was due to be replaced",
        looks_at="programme",
        urgency="routine",
        expected="replaced at most {days} days after it was due; the maker's sheet wins",
        advice="The team asks; the record has no place that says when it was last replaced.",
        source=_PRACTICE,
        thresholds=(_number("days", "0", "days"),),
    ),
)

RULES: MappingProxyType[str, Rule] = MappingProxyType({rule.code: rule for rule in _ALL})
"""Rule by code, the most urgent first within what each looks at."""
