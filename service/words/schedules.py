"""Any schedule in plain words.

Every part of a schedule is said. What belongs together by custom is said together ("every day at
07:15"); combinations that have no custom are said part by part, exactly rather than prettily.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from service.programme.schedule import DayEvent, DayOfWeek, LengthRange, Schedule, UnitOfTime
from service.words.lengths import (
    EVERY,
    EVERY_RANGE,
    OFTEN,
    OFTEN_RANGE,
    length,
    length_range,
    times,
)
from service.words.terms import EVENTS, EVENTS_FROM, PARTS_OF_DAY
from service.words.wording import Wording

_WEEK: tuple[DayOfWeek, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def schedule_in_words(wording: Wording, schedule: Schedule) -> str:
    """The schedule in one phrase; nothing of it is left out."""
    parts = [
        *_rhythm(wording, schedule),
        *_listed(wording, schedule),
        *_count(wording, schedule),
        *_lasting(wording, schedule),
        *_bounds(wording, schedule),
        *_odd(wording, schedule),
    ]
    return wording.joined(parts) if parts else wording.text("at no set time")


# -- how often, on which days, when in the day ----------------------------------------------------


def _rhythm(wording: Wording, schedule: Schedule) -> Iterator[str]:
    slots = [*_clocks(wording, schedule), *_events(wording, schedule)]
    if not _is_simple_day(schedule):
        yield from _rate(wording, schedule)
        yield from _on_days(wording, schedule)
        yield from slots
        return
    nouns = _parts_of_day(wording, schedule)
    if nouns:
        yield nouns
        return
    days = _each_day(wording, schedule)
    if len(slots) == 1 and schedule.time_of_day:
        yield wording.text("{days} {clock}", days=days, clock=slots[0])
    else:
        yield from (days, *slots)


def _is_simple_day(schedule: Schedule) -> bool:
    """So many times on each day that it names, and as many times of the day as that."""
    slots = len(schedule.time_of_day) + len(schedule.when)
    named = bool(slots or schedule.day_of_week)
    by_day = schedule.period == 1 and schedule.period_unit == "d"
    unsaid = schedule.period is None and schedule.period_unit is None
    ranged = schedule.frequency_max is not None or schedule.period_max is not None
    often = schedule.frequency
    return (
        named
        and (by_day or (unsaid and often is None))
        and not ranged
        and (often is None or often == max(1, slots))
    )


def _each_day(wording: Wording, schedule: Schedule) -> str:
    days = _days(schedule)
    if not days or len(days) == len(_WEEK):
        return wording.plural(*EVERY["d"], 1)
    return wording.plural("every {days}", "every {days}", len(days), days=wording.weekdays(days))


def _on_days(wording: Wording, schedule: Schedule) -> Iterator[str]:
    days = _days(schedule)
    if days:
        yield wording.plural("on {days}", "on {days}", len(days), days=wording.weekdays(days))


def _days(schedule: Schedule) -> list[int]:
    return sorted({_WEEK.index(day) for day in schedule.day_of_week})


def _rate(wording: Wording, schedule: Schedule) -> Iterator[str]:
    often, most = schedule.frequency, schedule.frequency_max
    if schedule.period is None or schedule.period_unit is None:
        if often is not None or most is not None:
            yield times(wording, often, most)
        return
    unit = schedule.period_unit
    if schedule.period == 1 and schedule.period_max in (None, 1):
        if most is None or most == often:
            yield wording.plural(*OFTEN[unit], often or 1)
        else:
            yield wording.plural(*OFTEN_RANGE[unit], most, low=often or 1)
        return
    every = _every(wording, schedule.period, schedule.period_max, unit)
    if often in (None, 1) and most is None:
        yield every
    else:
        yield wording.text("{times} {every}", times=times(wording, often, most), every=every)


def _every(wording: Wording, period: Decimal, longest: Decimal | None, unit: UnitOfTime) -> str:
    if longest is None or longest == period:
        return wording.plural(*EVERY[unit], period)
    return wording.plural(*EVERY_RANGE[unit], longest, low=period)


def _clocks(wording: Wording, schedule: Schedule) -> Iterator[str]:
    if schedule.time_of_day:
        clocks = [wording.clock(clock) for clock in sorted(schedule.time_of_day)]
        listed = wording.listing(clocks)
        yield wording.plural("at {times}", "at {times}", len(clocks), times=listed)


def _events(wording: Wording, schedule: Schedule) -> Iterator[str]:
    if schedule.when:
        yield wording.listing(_event(wording, event, schedule.offset) for event in schedule.when)


def _event(wording: Wording, event: DayEvent, offset: int | None) -> str:
    if not offset:
        return wording.text(EVENTS[event])
    away = length(wording, offset, "min")
    if event in EVENTS_FROM:
        return wording.text(EVENTS_FROM[event], length=away)
    at = wording.text(EVENTS[event])
    return wording.text("{event} and {length} later", event=at, length=away)


def _parts_of_day(wording: Wording, schedule: Schedule) -> str | None:
    """ "every morning and evening", where that is all there is to say of days and times."""
    only = schedule.when and not (schedule.time_of_day or schedule.day_of_week or schedule.offset)
    if not only or not set(schedule.when) <= PARTS_OF_DAY.keys():
        return None
    parts = [wording.text(PARTS_OF_DAY[event]) for event in schedule.when]
    return wording.text("every {parts}", parts=wording.listing(parts))


# -- how many, how long, from when until when -----------------------------------------------------


def _listed(wording: Wording, schedule: Schedule) -> Iterator[str]:
    if schedule.event:
        moments = wording.listing(wording.moment(event) for event in schedule.event)
        yield wording.text("on: {moments}", moments=moments)


def _count(wording: Wording, schedule: Schedule) -> Iterator[str]:
    if schedule.count is not None or schedule.count_max is not None:
        how_often = times(wording, schedule.count, schedule.count_max)
        yield wording.text("{times} in all", times=how_often)


def _lasting(wording: Wording, schedule: Schedule) -> Iterator[str]:
    least, most, unit = schedule.duration, schedule.duration_max, schedule.duration_unit
    if unit is not None and (least is not None or most is not None):
        lasting = length_range(wording, least, most, unit)
        yield wording.text("for {length} each time", length=lasting)


def _bounds(wording: Wording, schedule: Schedule) -> Iterator[str]:
    bounds = schedule.bounds
    if bounds is not None and bounds.start is not None:
        yield wording.text("from {start}", start=bounds.start)
    if bounds is not None and bounds.end is not None:
        if isinstance(bounds.end, datetime):
            yield wording.text("until {end}", end=bounds.end)
        else:
            yield wording.text("up to and including {end}", end=bounds.end)
    if schedule.bounds_duration is not None:
        told = length(wording, schedule.bounds_duration.value, schedule.bounds_duration.unit)
        yield wording.text("for {length}", length=told)
    if schedule.bounds_range is not None:
        yield from _bounds_range(wording, schedule.bounds_range)


def _bounds_range(wording: Wording, bounds: LengthRange) -> Iterator[str]:
    low, high = bounds.low, bounds.high
    if low is not None:
        least = length(wording, low.value, low.unit)
        yield wording.text("for at least {length}", length=least)
    if high is not None:
        most = length(wording, high.value, high.unit)
        yield wording.text("for at most {length}", length=most)


# -- what fits no custom --------------------------------------------------------------------------


def _odd(wording: Wording, schedule: Schedule) -> Iterator[str]:
    """Fields that say nothing without a partner that is missing: by their names."""
    lonely: Sequence[tuple[str, bool]] = (
        ("period", schedule.period_unit is None),
        ("period_max", schedule.period is None or schedule.period_unit is None),
        ("period_unit", schedule.period is None),
        ("duration", schedule.duration_unit is None),
        ("duration_max", schedule.duration_unit is None),
        ("duration_unit", schedule.duration is None and schedule.duration_max is None),
        ("offset", not schedule.when),
    )
    for name, without in lonely:
        value: Any = getattr(schedule, name)
        if without and value is not None:
            told = wording.quoted(f"{name.replace('_', ' ')} {value}")
            yield wording.text("also written: {what}", what=told)
