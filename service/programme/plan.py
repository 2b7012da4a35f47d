"""The programme document: what a specialist team prescribes for one child to do at home.

One document is one version of the plan, and says when it begins. It names the child, the team and
the author; holds several regimens side by side; and carries what the family must know when
something is wrong. What is refused and what is cautioned about is in ``checks.py``.
"""

from datetime import time
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from service.programme.base import (
    Amount,
    Band,
    ClockTime,
    Code,
    Coded,
    Day,
    Document,
    Flag,
    Identifier,
    Instant,
    Moment,
    Number,
    PartialDate,
    PositiveCount,
    Text,
)
from service.programme.dose import Dose, Interface
from service.programme.precautions import PRECAUTIONS
from service.programme.schedule import Routine, Schedule

PlanStatus = Literal["draft", "active", "on-hold", "completed", "revoked", "entered-in-error"]
HealthStateOfRegimen = Literal["well", "unwell", "any"]
Reference = Text
"""``Type/id`` of a resource that the record already holds."""


class Name(Document):
    """A person's name as it is written."""

    text: Text
    family: Text | None = None
    given: tuple[Text, ...] = ()


class Child(Document):
    """The child: either ``reference`` to the record's own entry, or who it is."""

    reference: Reference | None = None
    identifier: tuple[Identifier, ...] = ()
    name: Name | None = None
    birth_date: PartialDate | None = None
    sex: Literal["female", "male", "other", "unknown"] | None = None
    language: tuple[Code, ...] = ()


class Professional(Document):
    """A member of the team; ``reference`` alone is enough for somebody the record knows."""

    reference: Reference | None = None
    identifier: tuple[Identifier, ...] = ()
    name: Name | None = None
    role: Text | None = None


class Team(Document):
    """The specialist team that answers for the programme."""

    reference: Reference | None = None
    name: Text | None = None
    phone: Text | None = None
    member: tuple[Professional, ...] = ()


class Diagnosis(Document):
    """Why: the condition the programme is for."""

    reference: Reference | None = None
    condition: Coded | None = None


class ZoneFrom(Document):
    """The child's time zone (IANA name), and since when; the first entry has no ``since``."""

    zone: Text
    since: Instant | None = None


class Hold(Document):
    """A dated stop of the whole plan; nothing is due from ``start`` to ``end``."""

    start: Moment
    end: Moment | None = None
    reason: Text | None = None


class PositionAdvice(Document):
    """A position and whether it is advised, allowed or to be avoided."""

    position: Code
    use: Literal["advised", "allowed", "avoid"]


class MedicineOrder(Document):
    """Which inhaled medicine comes before, during or after, and how many minutes apart."""

    medicine: Text
    order: Literal["before", "during", "after"]
    minutes: Amount | None = None


class Regimen(Document):
    """One technique, its dose and its schedule, for one state of health.

    ``key`` is unique in the programme and stays the same from version to version.
    ``unwell_rule`` says whether an unwell regimen replaces the well ones or adds to them.
    ``one_of`` names a group of alternatives: any member done fulfils what is due.
    """

    key: Code
    technique: Code
    health_state: HealthStateOfRegimen
    unwell_rule: Literal["replaces", "adds"] | None = None
    schedule: Schedule | None = None
    as_needed: Flag = False
    dose: Dose | None = None
    position: tuple[PositionAdvice, ...] = ()
    medicine: tuple[MedicineOrder, ...] = ()
    device: Code | None = None
    place: tuple[Literal["home", "school", "elsewhere"], ...] = ()
    one_of: Code | None = None
    instruction: Text | None = None


class CareTask(Document):
    """Cleaning or replacing a device: what, how, how often. The maker's sheet wins."""

    task: Literal["clean", "disinfect", "replace", "check"]
    method: Text
    schedule: Schedule | None = None


class Device(Document):
    """A kind of device asked for. Never a brand and never a serial number."""

    key: Code
    kind: Code
    scale: Band | None = None
    interface: Interface | None = None
    care: tuple[CareTask, ...] = ()


class SafetyNet(Document):
    """A sign, what to do about it, and whom to call."""

    sign: Text
    action: Text
    contact: Text


class Review(Document):
    """When and how the programme is looked at again."""

    due: Day
    kind: Text | None = None


class GoalTarget(Document):
    """What is measured and by when. ``detail`` is the value to reach, in ``unit`` (UCUM)."""

    measure: Code
    detail: Number
    unit: Code
    due: Day | None = None


class Goal(Document):
    """An aim, the child's own first; a child's own goal may have no target."""

    key: Code
    description: Text
    own: Flag = False
    start: Day | None = None
    target: GoalTarget | None = None


class Override(Document):
    """Why a caution was accepted, and by whom. Kept with the plan."""

    caution: Code
    regimen: Code
    author: Text
    reason: Text


Answer = Literal["yes", "no", "unknown"]


def _as_asked(answers: dict[str, Answer]) -> dict[str, Answer]:
    """In the order of the form: the order in which they are written says nothing."""
    places = {code: place for place, code in enumerate(PRECAUTIONS)}
    ordered = sorted(answers, key=lambda code: (places.get(code, len(places)), code))
    return {code: answers[code] for code in ordered}


class Screen(Document):
    """What was asked before a technique was prescribed.

    Either ``reference`` to the answers that the record holds, or the answers by the code of the
    precaution, when they were given and who asked. What is not answered was not asked.
    """

    reference: Reference | None = None
    date: Moment | None = None
    by: Professional | None = None
    answer: Annotated[dict[Code, Answer], AfterValidator(_as_asked)] = Field(default_factory=dict)


class Programme(Document):
    """One version of a child's airway-clearance home programme.

    ``unwell_days``: for how many days the child may be unwell before the team is told, as agreed
    with the family.
    """

    id: Code | None = None
    status: PlanStatus = "active"
    language: Code | None = None
    title: Text | None = None
    child: Child
    author: Professional
    team: Team
    diagnosis: tuple[Diagnosis, ...] = ()
    start: Moment
    end: Moment | None = None
    time_zone: tuple[ZoneFrom, ...] = Field(min_length=1)
    day_boundary: ClockTime = time(0, 0)
    unwell_days: PositiveCount | None = None
    routine: Routine | None = None
    hold: tuple[Hold, ...] = ()
    regimen: tuple[Regimen, ...] = Field(min_length=1)
    device: tuple[Device, ...] = ()
    safety_net: tuple[SafetyNet, ...] = ()
    screen: Screen | None = None
    review: Review | None = None
    goal: tuple[Goal, ...] = ()
    override: tuple[Override, ...] = ()
    change_reason: Text | None = None
    note: tuple[Text, ...] = ()
