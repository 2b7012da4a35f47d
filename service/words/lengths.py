"""Lengths of time and how often: every unit with its plurals.

In languages with cases the messages of ``LENGTHS`` stand in the one that follows a preposition
("for", "after"), because they are only used so.
"""

from collections.abc import Mapping
from decimal import Decimal

from service.programme.schedule import UnitOfTime
from service.words.wording import Wording, mark_plural

Forms = Mapping[UnitOfTime, tuple[str, str]]

LENGTHS: Forms = {
    "s": mark_plural("{n} second", "{n} seconds"),
    "min": mark_plural("{n} minute", "{n} minutes"),
    "h": mark_plural("{n} hour", "{n} hours"),
    "d": mark_plural("{n} day", "{n} days"),
    "wk": mark_plural("{n} week", "{n} weeks"),
    "mo": mark_plural("{n} month", "{n} months"),
    "a": mark_plural("{n} year", "{n} years"),
}
EVERY: Forms = {
    "s": mark_plural("every second", "every {n} seconds"),
    "min": mark_plural("every minute", "every {n} minutes"),
    "h": mark_plural("every hour", "every {n} hours"),
    "d": mark_plural("every day", "every {n} days"),
    "wk": mark_plural("every week", "every {n} weeks"),
    "mo": mark_plural("every month", "every {n} months"),
    "a": mark_plural("every year", "every {n} years"),
}
EVERY_RANGE: Forms = {
    "s": mark_plural("every {low} to {n} second", "every {low} to {n} seconds"),
    "min": mark_plural("every {low} to {n} minute", "every {low} to {n} minutes"),
    "h": mark_plural("every {low} to {n} hour", "every {low} to {n} hours"),
    "d": mark_plural("every {low} to {n} day", "every {low} to {n} days"),
    "wk": mark_plural("every {low} to {n} week", "every {low} to {n} weeks"),
    "mo": mark_plural("every {low} to {n} month", "every {low} to {n} months"),
    "a": mark_plural("every {low} to {n} year", "every {low} to {n} years"),
}
OFTEN: Forms = {
    "s": mark_plural("once a second", "{n} times a second"),
    "min": mark_plural("once a minute", "{n} times a minute"),
    "h": mark_plural("once an hour", "{n} times an hour"),
    "d": mark_plural("once a day", "{n} times a day"),
    "wk": mark_plural("once a week", "{n} times a week"),
    "mo": mark_plural("once a month", "{n} times a month"),
    "a": mark_plural("once a year", "{n} times a year"),
}
OFTEN_RANGE: Forms = {
    "s": mark_plural("{low} to {n} time a second", "{low} to {n} times a second"),
    "min": mark_plural("{low} to {n} time a minute", "{low} to {n} times a minute"),
    "h": mark_plural("{low} to {n} time an hour", "{low} to {n} times an hour"),
    "d": mark_plural("{low} to {n} time a day", "{low} to {n} times a day"),
    "wk": mark_plural("{low} to {n} time a week", "{low} to {n} times a week"),
    "mo": mark_plural("{low} to {n} time a month", "{low} to {n} times a month"),
    "a": mark_plural("{low} to {n} time a year", "{low} to {n} times a year"),
}

Amount = int | Decimal


def length(wording: Wording, amount: Amount, unit: UnitOfTime) -> str:
    """For example "20 minutes"."""
    return wording.plural(*LENGTHS[unit], amount)


def length_range(
    wording: Wording, low: Amount | None, high: Amount | None, unit: UnitOfTime
) -> str:
    """For example "15 to 25 minutes", or "up to 25 minutes"; one end must be there."""
    if high is None or low == high:
        return length(wording, low if low is not None else 0, unit)
    most = length(wording, high, unit)
    if low is None:
        return wording.text("up to {high}", high=most)
    return wording.text("{low} to {high}", low=low, high=most)


def times(wording: Wording, low: int | None, high: int | None) -> str:
    """For example "once", "2 to 3 times"."""
    if high is None or low == high:
        return wording.plural("once", "{n} times", low or 1)
    if low is None:
        return wording.plural("up to {n} time", "up to {n} times", high)
    return wording.plural("{low} to {n} time", "{low} to {n} times", high, low=low)
