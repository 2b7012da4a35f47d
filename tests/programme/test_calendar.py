"""Local days: changes of daylight saving, journeys, day boundaries, days that never were."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.programme.calendar import BEGINNING, Calendar, Stretch, calendar_of
from service.programme.zones import zone, zone_names

MIDNIGHT = time(0, 0)


def calendar(name: str = "Europe/Paris", boundary: time = MIDNIGHT) -> Calendar:
    return Calendar([Stretch(BEGINNING, zone(name), boundary)])


def _hours(days: Calendar, day: date) -> float:
    bounds = days.bounds(day)
    assert bounds is not None
    return (bounds[1] - bounds[0]).total_seconds() / 3600


@pytest.mark.parametrize(
    ("day", "hours"),
    [(date(2031, 3, 29), 24), (date(2031, 3, 30), 23), (date(2031, 10, 26), 25)],
)
def test_days_with_a_change_have_23_or_25_hours(day: date, hours: int) -> None:
    """The last Sundays of March and October (EU rule, IANA zone data)."""
    assert _hours(calendar(), day) == hours


def test_a_skipped_clock_time_becomes_the_one_shown_and_a_repeated_one_is_the_first() -> None:
    days = calendar()
    assert days.at(date(2031, 3, 30), time(2, 30)) == datetime(2031, 3, 30, 1, 30, tzinfo=UTC)
    assert days.at(date(2031, 10, 26), time(2, 30)) == datetime(2031, 10, 26, 0, 30, tzinfo=UTC)


def test_a_day_that_never_was() -> None:
    """Samoa went from 29 to 31 December 2011."""
    days = calendar("Pacific/Apia")
    assert days.bounds(date(2011, 12, 30)) is None
    assert days.start(date(2011, 12, 30)) == days.start(date(2011, 12, 31))
    assert days.at(date(2011, 12, 30), time(8, 0)) is None


def test_a_day_may_begin_after_midnight() -> None:
    days = calendar(boundary=time(4, 0))
    late = datetime(2031, 6, 11, 1, 30, tzinfo=zone("Europe/Paris"))
    assert days.day_of(late) == date(2031, 6, 10)
    assert days.at(date(2031, 6, 10), time(1, 30)) == late
    assert days.at(date(2031, 6, 10), time(4, 0)) == datetime(2031, 6, 10, 2, 0, tzinfo=UTC)


def test_a_calendar_is_shared_and_right_after_more_days_than_it_keeps() -> None:
    """Against ``zoneinfo``, for sixteen years of days and the first again."""
    stretches = (Stretch(BEGINNING, zone("Europe/Paris"), MIDNIGHT),)
    days = calendar_of(stretches)
    assert days is calendar_of((Stretch(BEGINNING, zone("Europe/Paris"), MIDNIGHT),))
    first = date(2020, 1, 1)
    for number in (*range(4 * 1461), 0):
        day = first + timedelta(days=number)
        begins = datetime.combine(day, MIDNIGHT, zone("Europe/Paris"))
        assert days.start(day) == begins.astimezone(UTC)


def test_a_child_who_moves_has_one_long_day() -> None:
    noon = datetime(2031, 6, 10, 12, 0, tzinfo=zone("Pacific/Auckland"))
    days = Calendar(
        [
            Stretch(BEGINNING, zone("Pacific/Auckland"), MIDNIGHT),
            Stretch(noon, zone("Europe/Paris"), MIDNIGHT),
        ]
    )
    assert days.bounds(date(2031, 6, 10)) == (
        datetime(2031, 6, 9, 12, 0, tzinfo=UTC),
        datetime(2031, 6, 10, 22, 0, tzinfo=UTC),
    )
    assert days.day_of(noon - timedelta(seconds=1)) == date(2031, 6, 10)
    assert days.day_of(noon) == date(2031, 6, 10)
    # 19:00 came once: in Paris. 08:00 came in Auckland, before the journey.
    assert days.at(date(2031, 6, 10), time(19, 0)) == datetime(2031, 6, 10, 17, tzinfo=UTC)
    assert days.at(date(2031, 6, 10), time(8, 0)) == datetime(2031, 6, 9, 20, tzinfo=UTC)


@given(
    name=st.sampled_from(sorted(zone_names())),
    boundary=st.times().map(lambda clock: clock.replace(second=0, microsecond=0)),
    instant=st.integers(800_000_000, 2_100_000_000).map(
        lambda seconds: datetime.fromtimestamp(seconds, UTC)
    ),
)
def test_every_instant_lies_in_its_own_day(name: str, boundary: time, instant: datetime) -> None:
    days = calendar(name, boundary)
    day = days.day_of(instant)
    bounds = days.bounds(day)
    assert bounds is not None
    assert bounds[0] <= instant < bounds[1]
    assert days.start(day + timedelta(days=1)) == bounds[1]


def test_the_hosts_zone_files_are_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("zoneinfo.TZPATH", ())
    with pytest.raises(KeyError):
        zone("localtime")
    assert zone("Asia/Kathmandu") is zone("Asia/Kathmandu")
