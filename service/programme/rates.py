"""How often: the frequency and period of a schedule as so many times in so many days or months.

``frequency`` counts and ``period`` is a length, so every rate is a fraction: once in 4 hours is
six times in 1 day, once in 36 hours is twice in 3 days, once in half a month is twice in a month.
"""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import ceil
from typing import Literal

from service.programme.schedule import Schedule, UnitOfTime

_DAYS = {
    "s": Fraction(1, 86_400),
    "min": Fraction(1, 1_440),
    "h": Fraction(1, 24),
    "d": Fraction(1),
    "wk": Fraction(7),
}
_MONTHS = {"mo": 1, "a": 12}
_USUAL_DAYS_OF_MONTH = 30


@dataclass(frozen=True, slots=True)
class Rate:
    """``times`` in every ``length`` days or months; ``most`` is the upper end of a range."""

    times: int
    length: int
    unit: Literal["day", "month"]
    most: int | None = None

    @property
    def daily(self) -> bool:
        """Whether it says so many times a day."""
        return self.unit == "day" and self.length == 1


def rate_of(schedule: Schedule) -> Rate | None:
    """The rate of a schedule, or None where it has no period.

    Of ranges the least demanding end is the rate: fewest times, longest period. The other end is
    only its ``most``.
    """
    if not schedule.period or schedule.period_unit is None:
        return None
    often = schedule.frequency or 1
    longest = _length(schedule.period_max or schedule.period, schedule.period_unit)
    shortest = _length(schedule.period, schedule.period_unit)
    times, length = often * longest.denominator, longest.numerator
    most = None
    if schedule.frequency_max is not None or schedule.period_max is not None:
        most = ceil((schedule.frequency_max or often) / shortest * length)
    unit: Literal["day", "month"] = "month" if schedule.period_unit in _MONTHS else "day"
    return Rate(times, length, unit, most)


def times_a_day(times: int, period: Decimal, unit: UnitOfTime) -> Fraction:
    """So many times in the period, per day; see ``days_in``."""
    return times / days_in(period, unit)


def days_in(length: Decimal, unit: UnitOfTime) -> Fraction:
    """So many of the unit in days; a month is taken as 30 days."""
    return _length(length, unit) * (_USUAL_DAYS_OF_MONTH if unit in _MONTHS else 1)


def _length(period: Decimal, unit: UnitOfTime) -> Fraction:
    return Fraction(period) * (_MONTHS[unit] if unit in _MONTHS else _DAYS[unit])
