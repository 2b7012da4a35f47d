"""Ages from birth dates (FHIR dates) of which the month or the day may be missing."""

from datetime import date

from service.programme.moments import age_in_years, earliest, latest


def completed_years(birth_date: str, on: date) -> int:
    """Completed years on the day ``on``.

    Of a year alone its middle, 15 July, is taken, and of a month the 15th: the likeliest age.
    """
    return age_in_years(date.fromisoformat(birth_date + "2000-07-15"[len(birth_date) :]), on)


def may_have_reached(age: int, birth_date: str, on: date) -> bool:
    """Whether a child with this birth date may be ``age`` years old on the day ``on``."""
    return age_in_years(earliest(birth_date), on) >= age


def has_surely_reached(age: int, birth_date: str, on: date) -> bool:
    """Whether a child with this birth date is certainly ``age`` years old on the day ``on``."""
    return age_in_years(latest(birth_date), on) >= age
