"""Days on which the clocks change or the child moves, each worked by hand.

The rules of daylight saving are those of the IANA zone data; each row says which. A time that the
clocks skip is read as in RFC 5545, section 3.3.5: by the offset from before the gap, so that it
becomes the time which the clocks show instead. Of a time that comes twice the first is meant.
"""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from service.programme.calendar import BEGINNING, END, Calendar, Span, Stretch
from service.programme.occurrences import occurrences
from service.programme.schedule import Schedule
from service.programme.zones import zone

CLOCKS = """
zone                 day         hours  asked  stands at                  why
Europe/Paris         2031-03-30  23     02:30  2031-03-30T03:30:00+02:00  last Sunday of March, 2 to 3
Europe/Paris         2031-03-30  23     08:00  2031-03-30T08:00:00+02:00  after the gap
Europe/Paris         2031-10-26  25     02:30  2031-10-26T02:30:00+02:00  last Sunday of October: first
Europe/Paris         2031-10-26  25     03:30  2031-10-26T03:30:00+01:00  after the repeated hour
America/New_York     2031-03-09  23     02:30  2031-03-09T03:30:00-04:00  second Sunday of March
America/New_York     2031-11-02  25     01:30  2031-11-02T01:30:00-04:00  first Sunday of November: first
Pacific/Auckland     2031-09-28  23     02:30  2031-09-28T03:30:00+13:00  southern: last of September
Pacific/Auckland     2031-04-06  25     02:30  2031-04-06T02:30:00+13:00  southern: first of April, first
America/Santiago     2031-09-07  23     00:30  2031-09-07T01:30:00-03:00  the day has no midnight
America/Santiago     2031-04-05  25     23:30  2031-04-05T23:30:00-03:00  its last hour comes twice
Australia/Lord_Howe  2031-10-05  23.5   02:15  2031-10-05T02:45:00+11:00  half an hour
Australia/Lord_Howe  2031-04-06  24.5   01:45  2031-04-06T01:45:00+11:00  half an hour twice: first
Africa/Johannesburg  2031-03-30  24     02:30  2031-03-30T02:30:00+02:00  no daylight saving
Asia/Kathmandu       2031-10-26  24     02:30  2031-10-26T02:30:00+05:45  no daylight saving
Pacific/Apia         2011-12-29  24     08:00  2011-12-29T08:00:00-10:00  before the date line moved
Pacific/Apia         2011-12-30  0      08:00  -                          the day that never was
Pacific/Apia         2011-12-31  24     08:00  2011-12-31T08:00:00+14:00  after it
Pacific/Kwajalein    1993-08-20  24     08:00  1993-08-20T08:00:00-12:00  before the date line moved
Pacific/Kwajalein    1993-08-21  0      08:00  -                          the day that never was
Pacific/Kwajalein    1993-08-22  24     08:00  1993-08-22T08:00:00+12:00  after it
"""  # noqa: E501

PARTS = """
zone                 day         first                      second                     why
Europe/Paris         2031-03-30  2031-03-30T06:45:00+02:00  2031-03-30T18:15:00+02:00  quarters of 23 h: 5:45, 17:15
Europe/Paris         2031-10-26  2031-10-26T05:15:00+01:00  2031-10-26T17:45:00+01:00  quarters of 25 h: 6:15, 18:45
America/Santiago     2031-09-07  2031-09-07T06:45:00-03:00  2031-09-07T18:15:00-03:00  from 01:00 on
Africa/Johannesburg  2031-03-30  2031-03-30T06:00:00+02:00  2031-03-30T18:00:00+02:00  quarters of 24 h
"""  # noqa: E501

WEST, EAST, LINE, BACK = "WEST", "EAST", "LINE", "BACK"
JOURNEYS = {
    WEST: ("Pacific/Auckland", "2031-06-10T12:00:00+12:00", "Europe/Paris"),
    EAST: ("Europe/Paris", "2031-06-10T20:00:00+02:00", "Pacific/Auckland"),
    LINE: ("Pacific/Honolulu", "2031-06-10T12:00:00-10:00", "Pacific/Kiritimati"),
    BACK: ("America/New_York", "2031-03-09T01:30:00-05:00", "Europe/London"),
}
MOVES = """
journey  day         hours  at 08:00                   at 19:00                   why
WEST     2031-06-09  24     2031-06-09T08:00:00+12:00  2031-06-09T19:00:00+12:00
WEST     2031-06-10  34     2031-06-10T08:00:00+12:00  2031-06-10T19:00:00+02:00  12 h there, 22 h here
WEST     2031-06-11  24     2031-06-11T08:00:00+02:00  2031-06-11T19:00:00+02:00
EAST     2031-06-10  20     2031-06-10T08:00:00+02:00  2031-06-10T19:00:00+02:00  20:00 is 06:00 of the 11th
EAST     2031-06-11  18     2031-06-11T08:00:00+12:00  2031-06-11T19:00:00+12:00
LINE     2031-06-10  12     2031-06-10T08:00:00-10:00  2031-06-10T11:59:59-10:00  no evening: its last moment
LINE     2031-06-11  12     2031-06-11T12:00:00+14:00  2031-06-11T19:00:00+14:00  no morning: its first moment
BACK     2031-03-09  19     2031-03-09T08:00:00+00:00  2031-03-09T19:00:00+00:00  1.5 h, then 17.5 h from 06:30 on
"""  # noqa: E501


def _rows(table: str, columns: int) -> list[list[str]]:
    return [line.split()[:columns] for line in table.strip().splitlines()[1:]]


def _lived(name: str) -> Calendar:
    return Calendar([Stretch(BEGINNING, zone(name), time(0, 0))])


def _moved(journey: str) -> Calendar:
    before, since, after = JOURNEYS[journey]
    return Calendar(
        [
            Stretch(BEGINNING, zone(before), time(0, 0)),
            Stretch(datetime.fromisoformat(since).astimezone(UTC), zone(after), time(0, 0)),
        ]
    )


def _hours(days: Calendar, day: date) -> float:
    bounds = days.bounds(day)
    return 0 if bounds is None else (bounds[1] - bounds[0]) / timedelta(hours=1)


def _stands(days: Calendar, day: date, **schedule: object) -> list[str]:
    """Where the occurrences of that day stand, on the child's clock."""
    model = Schedule.model_validate(schedule)
    plan = Span(days.start(day - timedelta(days=3)), END)
    asked = days.span(day, day)
    found = occurrences(model, days, plan, asked)
    return [days.local(one.at).isoformat() for one in found if one.day == day]


@pytest.mark.parametrize(("name", "day", "hours", "asked", "stands"), _rows(CLOCKS, 5))
def test_clock_times(name: str, day: str, hours: str, asked: str, stands: str) -> None:
    days, on = _lived(name), date.fromisoformat(day)
    assert _hours(days, on) == float(hours)
    assert _stands(days, on, timeOfDay=[asked]) == ([] if stands == "-" else [stands])


@pytest.mark.parametrize(("name", "day", "first", "second"), _rows(PARTS, 4))
def test_twice_on_a_day_of_any_length(name: str, day: str, first: str, second: str) -> None:
    found = _stands(_lived(name), date.fromisoformat(day), frequency=2, period=1, periodUnit="d")
    assert found == [first, second]


@pytest.mark.parametrize(("journey", "day", "hours", "morning", "evening"), _rows(MOVES, 5))
def test_a_child_who_moves(journey: str, day: str, hours: str, morning: str, evening: str) -> None:
    days, on = _moved(journey), date.fromisoformat(day)
    assert _hours(days, on) == float(hours)
    assert _stands(days, on, timeOfDay=["08:00", "19:00"]) == [morning, evening]


@pytest.mark.parametrize("name", sorted({row[0] for row in _rows(CLOCKS, 1)}))
def test_ten_years_of_days_without_gap_or_overlap(name: str) -> None:
    """2028 to 2037: every day has one morning; each begins where the one before ends."""
    days = _lived(name)
    first = date(2028, 1, 1)
    for day in (first + timedelta(days=k) for k in range(3653)):
        bounds = days.bounds(day)
        assert bounds is not None
        assert bounds[1] == days.start(day + timedelta(days=1))
        assert days.day_of(bounds[0]) == days.day_of(bounds[1] - timedelta(seconds=1)) == day
