"""Occurrences against ``dateutil.rrule`` (RFC 5545): 5,000 random rules that both can express.

What both have in common: so often in so many hours, days, weeks, months or years; weekdays; clock
times; a number in all; a first and a last day; the child's zone, with clocks that skip and repeat.
Where the two differ the rule is put so that it says the same: weeks are counted from the anchor
(WKST), a month's last day stands for those that it does not have (BYSETPOS), and a step of whole
weeks on weekdays is a weekly rule.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from itertools import pairwise
from random import Random
from typing import Any

from dateutil.rrule import DAILY, HOURLY, MONTHLY, WEEKLY, YEARLY, rrule, weekday
from dateutil.tz import resolve_imaginary
from hypothesis import given
from hypothesis import strategies as st

from service.programme.calendar import BEGINNING, END, Calendar, Span, Stretch
from service.programme.occurrences import Occurrence, occurrences
from service.programme.schedule import Schedule
from service.programme.zones import zone

RULES = 5_000
SEED = 20_310_330

_NAMES = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_ZONES = (
    "UTC", "Europe/Paris", "Europe/London", "America/New_York", "America/Santiago",
    "Australia/Lord_Howe", "Pacific/Auckland", "Asia/Kathmandu", "Africa/Johannesburg",
    "Africa/Casablanca",
)  # fmt: skip


@dataclass(frozen=True)
class Rule:
    """One rule in both languages. ``limit`` is the number in all; ``end`` the last day.

    With ``clocks`` the recurrences are the occurrences; without, each is the beginning of a window
    (or lies in it, for hours) in which something is due ``often`` times.
    """

    kind: str
    schedule: dict[str, Any]
    recurrence: dict[str, Any]
    anchor: date
    end: date
    zone: str
    clocks: tuple[time, ...] = ()
    often: int = 1
    limit: int | None = None

    def recurrences(self, beyond: timedelta = timedelta(0)) -> Iterator[datetime]:
        """Those of RFC 5545 on a clock without a zone, in order, until the last day or beyond."""
        hours = sorted({clock.hour for clock in self.clocks})
        minutes = sorted({clock.minute for clock in self.clocks})
        told: dict[str, Any] = {}
        if self.clocks:
            told = {"byhour": hours, "byminute": minutes, "bysecond": 0}
        if "bymonthday" in self.recurrence:  # all times of the last of those days
            told["bysetpos"] = range(-max(1, len(hours) * len(minutes)), 0)
        rule = rrule(
            dtstart=datetime.combine(self.anchor, time(0, 0)),
            until=datetime.combine(self.end, time(23, 59, 59)) + beyond,
            **self.recurrence,
            **told,
        )
        return (one for one in rule if not self.clocks or one.time() in self.clocks)

    def expected(self) -> list[datetime]:
        """The same in the child's zone, in UTC; a skipped clock time is moved, as dateutil does."""
        where = zone(self.zone)
        return [
            resolve_imaginary(one.replace(tzinfo=where)).astimezone(UTC)
            for one in list(self.recurrences())[: self.limit]
        ]


# -- random rules ----------------------------------------------------------------------------------


def _clocks(random: Random) -> tuple[time, ...]:
    """Times that are a full product of hours and minutes are not needed: others are sieved out."""
    quarters = random.sample(range(96), random.randint(1, 4))
    return tuple(sorted(time(quarter // 4, quarter % 4 * 15) for quarter in quarters))


def _weekdays(random: Random) -> list[int]:
    return sorted(random.sample(range(7), random.randint(1, 7)))


def _by_days(random: Random) -> dict[str, Any]:
    """Every so many days at clock times, only on weekdays if there are any."""
    step, clocks = random.choice([1, 1, 1, 2, 3, 4, 5, 6, 8, 9, 10, 14]), _clocks(random)
    schedule: dict[str, Any] = {"period": step, "periodUnit": "d", "timeOfDay": clocks}
    recurrence: dict[str, Any] = {"freq": DAILY, "interval": step}
    if step % 7 and random.random() < 0.5:
        weekdays = _weekdays(random)
        schedule["dayOfWeek"] = [_NAMES[day] for day in weekdays]
        recurrence["byweekday"] = [weekday(day) for day in weekdays]
    if random.random() < 0.3:
        schedule["frequency"] = len(clocks)
    if step == 1 and random.random() < 0.3:
        del schedule["period"], schedule["periodUnit"]
        schedule.pop("frequency", None)
    return {"schedule": schedule, "recurrence": recurrence, "clocks": clocks}


def _by_weeks(random: Random) -> dict[str, Any]:
    """On weekdays of every so many weeks, in weeks or in seven days each, at clock times or not."""
    step, weekdays = random.randint(1, 5), _weekdays(random)
    clocks = _clocks(random) if random.random() < 0.6 else ()
    unit, length = random.choice([("wk", 1), ("d", 7)])
    schedule: dict[str, Any] = {
        "frequency": len(weekdays),
        "period": step * length,
        "periodUnit": unit,
        "dayOfWeek": [_NAMES[day] for day in weekdays],
        "timeOfDay": clocks,
    }
    recurrence = {"freq": WEEKLY, "interval": step, "byweekday": [weekday(d) for d in weekdays]}
    return {"schedule": schedule, "recurrence": recurrence, "clocks": clocks}


def _by_months(random: Random) -> dict[str, Any]:
    """Every so many months or years, at clock times or at any time within them."""
    unit = random.choice(["mo", "a"])
    step = random.randint(1, 13 if unit == "mo" else 3)
    clocks = _clocks(random) if random.random() < 0.6 else ()
    often = len(clocks) or random.randint(1, 4)
    schedule = {"frequency": often, "period": step, "periodUnit": unit, "timeOfDay": clocks}
    frequency = MONTHLY if unit == "mo" else YEARLY
    recurrence = {"freq": frequency, "interval": step}
    return {"schedule": schedule, "recurrence": recurrence, "clocks": clocks, "often": often}


def _by_periods(random: Random) -> dict[str, Any]:
    """So often within so many days or weeks, at any time within them."""
    unit, step = random.choice(["d", "wk"]), random.randint(1, 6)
    often = random.randint(1, 6)
    schedule = {"frequency": often, "period": step, "periodUnit": unit}
    recurrence = {"freq": DAILY if unit == "d" else WEEKLY, "interval": step}
    return {"schedule": schedule, "recurrence": recurrence, "often": often}


def _by_hours(random: Random) -> dict[str, Any]:
    """Every so many hours; windows are as many whole days as the hours fit into."""
    hours = random.choice([1, 2, 3, 4, 5, 6, 8, 9, 10, 12, 16, 18, 20, 24, 30, 36, 48, 60, 72])
    schedule = {"frequency": 1, "period": hours, "periodUnit": "h"}
    return {"schedule": schedule, "recurrence": {"freq": HOURLY, "interval": hours}}


_KINDS = {
    "days": _by_days,
    "weeks": _by_weeks,
    "months": _by_months,
    "periods": _by_periods,
    "hours": _by_hours,
}


def _rule(random: Random) -> Rule:
    kind = random.choice(list(_KINDS))
    anchor = date(2024, 1, 1) + timedelta(days=random.randrange(3650))
    if random.random() < 0.2:  # ends of months, which months and years must clip
        anchor = (anchor.replace(day=1) + timedelta(days=31)).replace(day=1) - timedelta(days=1)
    months = kind == "months"
    parts = _KINDS[kind](random)
    end = anchor + timedelta(days=random.randrange(1500 if months else 130))
    if months:
        _clip(parts["recurrence"], anchor)
    if kind == "weeks":
        parts["recurrence"]["wkst"] = anchor.weekday()
    schedule = parts["schedule"]
    if random.random() < 0.5:
        schedule["bounds"] = {"start": anchor.isoformat(), "end": end.isoformat()}
    if parts.get("clocks") and random.random() < 0.4:
        parts["limit"] = schedule["count"] = random.randint(1, 60)
    where = "UTC" if kind == "hours" else random.choice(_ZONES)
    return Rule(kind=kind, anchor=anchor, end=end, zone=where, **parts)


def _clip(recurrence: dict[str, Any], anchor: date) -> None:
    """The anchor's day of the month, or the last one there is: months are clipped, not skipped."""
    if recurrence["freq"] == YEARLY:
        recurrence["bymonth"] = anchor.month
    if anchor.day > 28:
        recurrence["bymonthday"] = range(28, anchor.day + 1)


# -- both sides ------------------------------------------------------------------------------------


def _found(rule: Rule, first: date, last: date) -> list[Occurrence]:
    calendar = Calendar([Stretch(BEGINNING, zone(rule.zone), time(0, 0))])
    schedule = Schedule.model_validate(rule.schedule)
    plan, asked = calendar.span(rule.anchor, None), calendar.span(first, last)
    return list(occurrences(schedule, calendar, plan, asked))


def _assert_same(rule: Rule, asked_from: int) -> int:
    """``asked_from``: so many days after the anchor. Returns how many were compared."""
    first = min(rule.anchor + timedelta(days=asked_from), rule.end)
    found = _found(rule, first, rule.end)
    calendar = Calendar([Stretch(BEGINNING, zone(rule.zone), time(0, 0))])
    if rule.clocks:
        span = calendar.span(first, rule.end)
        wanted = sorted(one for one in rule.expected() if span.holds(one))
        assert sorted(one.at for one in found) == wanted, rule
        assert all(one.by_day and one.start <= one.at < one.end for one in found), rule
        return len(wanted)
    return _assert_same_windows(rule, first, found)


def _assert_same_windows(rule: Rule, first: date, found: list[Occurrence]) -> int:
    begun = Counter(one.start.astimezone(zone(rule.zone)).date() for one in found)
    windows = Counter(one.date() for one in rule.recurrences(timedelta(days=10)))
    if rule.kind == "hours":
        windows = _in_windows(rule, windows)
    due = sorted(day for day in windows if day <= rule.end)
    if due and "bounds" in rule.schedule:
        begun.pop(due.pop(), None)  # what is due in a window that is cut has no name in RFC 5545
    for day, times in begun.items():
        assert times == windows[day] * rule.often, (rule, day)
    assert {day for day in due if first <= day} <= begun.keys(), rule
    return sum(begun.values())


def _in_windows(rule: Rule, by_day: Counter[date]) -> Counter[date]:
    """Every 36 hours is twice in three days: the recurrences of each stretch of so many days."""
    days = Fraction(rule.schedule["period"], 24).numerator
    windows: Counter[date] = Counter()
    for day, times in by_day.items():
        windows[day - timedelta(days=(day - rule.anchor).days % days)] += times
    return windows


def test_five_thousand_random_rules() -> None:
    random = Random(SEED)  # noqa: S311
    kinds: Counter[str] = Counter()
    compared = 0
    for _ in range(RULES):
        rule = _rule(random)
        compared += _assert_same(rule, random.choice([0, 0, 1, 10, 40, 300]))
        kinds.update([rule.kind, rule.zone, *rule.schedule])
        kinds["clipped"] += "bymonthday" in rule.recurrence
        kinds["limited"] += rule.limit is not None
    assert sum(kinds[kind] for kind in _KINDS) == RULES
    spoken = ("count", "bounds", "timeOfDay", "dayOfWeek", "clipped", *_KINDS, *_ZONES)
    assert min(kinds[word] for word in spoken) >= 100, kinds
    assert compared > 20 * RULES, "rules without occurrences show nothing"


@given(anchor=st.dates(date(2024, 1, 1), date(2033, 12, 31)), often=st.integers(1, 6))
def test_so_many_a_day(anchor: date, often: int) -> None:
    """Twice a day and the like stand at equal distances."""
    schedule = {"frequency": often, "period": 1, "periodUnit": "d"}
    calendar = Calendar([Stretch(BEGINNING, UTC, time(0, 0))])
    asked = calendar.span(anchor, anchor + timedelta(days=20))
    model = Schedule.model_validate(schedule)
    found = list(occurrences(model, calendar, Span(asked.start, END), asked))
    assert len(found) == often * 21
    apart = {later.at - earlier.at for earlier, later in pairwise(found)}
    assert apart == {timedelta(days=1) / often}
