"""FHIR dates of which the month or the day may be missing, and ages from them."""

from calendar import monthrange
from datetime import date

_YEAR, _MONTH, _DAY = len("2000"), len("2000-01"), len("2000-01-01")


def first_day(text: str) -> date:
    """The first day that a FHIR date or dateTime may mean."""
    day = text[:_DAY]
    return date.fromisoformat(day + "2000-01-01"[len(day) :])


def last_day(text: str) -> date:
    """The last day that a FHIR date or dateTime may mean."""
    day = first_day(text)
    if len(text) == _YEAR:
        return day.replace(month=12, day=31)
    return day.replace(day=monthrange(day.year, day.month)[1]) if len(text) == _MONTH else day


def completed_years(birth_date: str, on: date) -> int:
    """Completed years on the day ``on``.

    Of a year alone its middle, 15 July, is taken, and of a month the 15th: the likeliest age.
    """
    return years_between(date.fromisoformat(birth_date + "2000-07-15"[len(birth_date) :]), on)


def may_have_reached(age: int, birth_date: str, on: date) -> bool:
    """Whether a child with this birth date may be ``age`` years old on the day ``on``."""
    return years_between(first_day(birth_date), on) >= age


def has_surely_reached(age: int, birth_date: str, on: date) -> bool:
    """Whether a child with this birth date is certainly ``age`` years old on the day ``on``."""
    return years_between(last_day(birth_date), on) >= age


def years_between(born: date, on: date) -> int:
    """Completed years from ``born`` to ``on``; one born on 29 February ages on 1 March."""
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))
