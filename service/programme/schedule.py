"""When something is to be done: the schedule of a regimen or of a cleaning task.

Field names and meanings are those of HL7 FHIR R4 ``Timing.repeat`` (R4 datatypes, Timing), so
that a schedule travels without translation. Expansion into occurrences is in ``occurrences.py``.
"""

from typing import Literal

from service.programme.base import (
    Amount,
    ClockTime,
    Count,
    Document,
    Instant,
    Moment,
    PositiveCount,
)

UnitOfTime = Literal["s", "min", "h", "d", "wk", "mo", "a"]
DayOfWeek = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DayEvent = Literal[
    "MORN", "MORN.early", "MORN.late", "NOON", "AFT", "AFT.early", "AFT.late", "EVE", "EVE.early",
    "EVE.late", "NIGHT", "PHS", "HS", "WAKE", "C", "CM", "CD", "CV", "AC", "ACM", "ACD", "ACV",
    "PC", "PCM", "PCD", "PCV",
]  # fmt: skip


class Bounds(Document):
    """From when until when a schedule runs; inclusive; open where absent."""

    start: Moment | None = None
    end: Moment | None = None


class Length(Document):
    """A length of time, for example 6 weeks."""

    value: Amount
    unit: UnitOfTime


class LengthRange(Document):
    """A length of time between two; either end may be open.

    The lower end says until when something is due, or the upper one where it stands alone.
    """

    low: Length | None = None
    high: Length | None = None


class Routine(Document):
    """The clock times of the family's own day; what is left out is taken as usual.

    They only place what is due within its day (for example before breakfast).
    """

    wake: ClockTime | None = None
    breakfast: ClockTime | None = None
    lunch: ClockTime | None = None
    supper: ClockTime | None = None
    bedtime: ClockTime | None = None


class Schedule(Document):
    """How often, on which days, at what times (R4 ``Timing``).

    ``offset`` is in minutes. ``frequency`` counts events; ``period`` is a length, with its unit.
    """

    event: tuple[Instant, ...] = ()
    bounds: Bounds | None = None
    bounds_duration: Length | None = None
    bounds_range: LengthRange | None = None
    count: PositiveCount | None = None
    count_max: PositiveCount | None = None
    duration: Amount | None = None
    duration_max: Amount | None = None
    duration_unit: UnitOfTime | None = None
    frequency: PositiveCount | None = None
    frequency_max: PositiveCount | None = None
    period: Amount | None = None
    period_max: Amount | None = None
    period_unit: UnitOfTime | None = None
    day_of_week: tuple[DayOfWeek, ...] = ()
    time_of_day: tuple[ClockTime, ...] = ()
    when: tuple[DayEvent, ...] = ()
    offset: Count | None = None
