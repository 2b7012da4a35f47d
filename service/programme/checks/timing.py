"""Schedules: the rules of R4 Timing in the words of the trade.

The numbers tim-1 to tim-10 are the constraints of the R4 data type Timing (HL7 FHIR R4,
datatypes, Timing); tim-4 and tim-5, no negative lengths, are held by the fields themselves.
"""

from collections.abc import Iterator

from service.programme.checks.problems import Problem, refused
from service.programme.checks.view import View
from service.programme.moments import is_before
from service.programme.rates import days_in, times_a_day
from service.programme.schedule import UnitOfTime

_NEEDS = (
    ("duration", "durationUnit", "schedule-duration-unit"),  # tim-1
    ("period", "periodUnit", "schedule-period-unit"),  # tim-2
    ("periodMax", "period", "schedule-period-range"),  # tim-6
    ("durationMax", "duration", "schedule-duration-range"),  # tim-7
    ("countMax", "count", "schedule-count-range"),  # tim-8
    ("offset", "when", "schedule-offset"),  # tim-9
    ("frequencyMax", "frequency", "schedule-frequency-range"),  # ours
)
"""A field, the field that it needs, and the key where that is absent."""

_RANGES = (
    ("frequency", "frequencyMax"),
    ("period", "periodMax"),
    ("count", "countMax"),
    ("duration", "durationMax"),
)
_BOUNDS = ("bounds", "boundsDuration", "boundsRange")
_AT_THE_MEAL = {"C", "CM", "CD", "CV"}
_SAYS_WHEN = ("when", "timeOfDay", "dayOfWeek")
_MONTHS = ("mo", "a")
_MOST_A_DAY = 48
_A_LIFE_IN_DAYS = 36_525


def schedule_problems(schedule: View) -> Iterator[Problem]:
    """Everything that is wrong with one schedule."""
    for name, needed, key in _NEEDS:
        if schedule.has(name) and not schedule.has(needed):
            yield refused(schedule.at(needed), key, None, f"{needed} beside {name}")
    for low, high in _RANGES:
        least, most = schedule.value(low), schedule.value(high)
        if least is not None and most is not None and most < least:
            yield refused(schedule.at(high), "schedule-range", most, f"at least {low}")
    yield from _events_of_the_day(schedule)
    yield from _rate(schedule)
    for surplus in [name for name in _BOUNDS if schedule.has(name)][1:]:
        expected = "one of " + ", ".join(_BOUNDS)
        yield refused(schedule.at(surplus), "schedule-two-bounds", schedule.raw[surplus], expected)
    yield from end_before_start(schedule.part("bounds"))
    yield from _lengths(schedule)


def _lengths(schedule: View) -> Iterator[Problem]:
    """Nothing here lasts longer than a life. Months and years have no one length: a session cannot
    last one, and bounds need whole ones."""
    if schedule.value("durationUnit") in _MONTHS:
        found = schedule.raw["durationUnit"]
        yield refused(schedule.at("durationUnit"), "schedule-length", found, "a shorter unit")
    between = schedule.part("boundsRange")
    low, high = between.part("low"), between.part("high")
    for length in (schedule.part("boundsDuration"), low, high):
        yield from _length(length)
    if not _in_order(low, high):
        found = high.raw["value"]
        yield refused(high.at("value"), "schedule-range", found, "not shorter than low")
    for name in ("period", "periodMax"):
        yield from _too_long(schedule, name, schedule.value("periodUnit"))


def _length(length: View) -> Iterator[Problem]:
    value, unit = length.value("value"), length.value("unit")
    if value is not None and unit in _MONTHS and value != value.to_integral_value():
        yield refused(length.at("value"), "schedule-length", length.raw["value"], "a whole number")
    yield from _too_long(length, "value", unit)


def _in_order(low: View, high: View) -> bool:
    """Whether one length is not longer than the other, as far as both are told."""
    ends = [(length.value("value"), length.value("unit")) for length in (low, high)]
    known = [days_in(value, unit) for value, unit in ends if value is not None and unit is not None]
    return len(known) < len(ends) or known[0] <= known[1]


def _too_long(holder: View, name: str, unit: UnitOfTime | None) -> Iterator[Problem]:
    length = holder.value(name)
    if length is not None and unit is not None and days_in(length, unit) > _A_LIFE_IN_DAYS:
        found, expected = holder.raw[name], f"at most {_A_LIFE_IN_DAYS} days"
        yield refused(holder.at(name), "impossible-number", found, expected)


def _events_of_the_day(schedule: View) -> Iterator[Problem]:
    offset, when = schedule.value("offset"), set(schedule.value("when") or ())
    if offset is not None and when & _AT_THE_MEAL:  # tim-9
        expected = "no offset from the meal itself"
        yield refused(schedule.at("offset"), "schedule-offset", offset, expected)
    if schedule.has("timeOfDay") and schedule.has("when"):  # tim-10
        found, expected = schedule.raw["timeOfDay"], "clock times or events of the day"
        yield refused(schedule.at("timeOfDay"), "schedule-time-or-event", found, expected)
    times, often = schedule.value("timeOfDay"), schedule.value("frequency")
    daily = schedule.value("period") == 1 and schedule.value("periodUnit") == "d"
    if not (times and often and daily):
        return
    most = schedule.value("frequencyMax") or often
    if not often <= len(times) <= most:
        expected = f"{len(times)}, as many as there are clock times"
        yield refused(schedule.at("frequency"), "schedule-times-and-frequency", often, expected)


def _rate(schedule: View) -> Iterator[Problem]:
    often, period = schedule.value("frequency"), schedule.value("period")
    if often and not schedule.has("period") and not any(map(schedule.has, _SAYS_WHEN)):
        expected = "period and periodUnit beside frequency"
        yield refused(schedule.at("period"), "schedule-frequency-of-what", None, expected)
    unit = schedule.value("periodUnit")
    if period is None or unit is None:
        return
    most = schedule.value("frequencyMax") or often or 1
    if period == 0 or times_a_day(most, period, unit) > _MOST_A_DAY:
        expected = f"at most {_MOST_A_DAY} a day"
        yield refused(schedule.at("period"), "schedule-too-often", period, expected)


def end_before_start(holder: View) -> Iterator[Problem]:
    """For anything with a ``start`` and an ``end``."""
    start, end = holder.value("start"), holder.value("end")
    if start is not None and end is not None and is_before(end, start):
        found = holder.raw["end"]
        yield refused(holder.at("end"), "end-before-start", found, "not before the start")
