"""Comparing calendar days with instants, and partial dates with both."""

from calendar import monthrange
from datetime import date, datetime, timedelta

FIRST_ZONE = timedelta(hours=14)
"""How far the first place on earth to begin a day is ahead of UTC."""
LAST_ZONE = timedelta(hours=12)
"""How far the last place on earth to end a day is behind UTC."""


def day_of(moment: date | datetime) -> date:
    """The calendar day as it is written; an instant's day is the one in its own offset."""
    return moment.date() if isinstance(moment, datetime) else moment


def is_before(first: date | datetime, second: date | datetime) -> bool:
    """Whether ``first`` certainly comes before ``second``; a day and an instant compare as days."""
    if isinstance(first, datetime) and isinstance(second, datetime):
        return first < second
    return day_of(first) < day_of(second)


def earliest(partial: str) -> date:
    """The first day that a year, month or date can mean."""
    return date.fromisoformat(partial + "2000-01-01"[len(partial) :])


def latest(partial: str) -> date:
    """The last day that a year, month or date can mean."""
    first = earliest(partial)
    if len(partial) == len("2000"):
        return first.replace(month=12, day=31)
    if len(partial) == len("2000-01"):
        return first.replace(day=monthrange(first.year, first.month)[1])
    return first


def age_in_years(birth: date, on: date) -> int:
    """Completed years; a child born on 29 February has a birthday on 1 March of other years."""
    had_birthday = (on.month, on.day) >= (birth.month, birth.day)
    return on.year - birth.year - (not had_birthday)
