"""Schedules expand to the occurrences that the standard, published cases and reason expect."""

import json
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from decimal import Decimal
from typing import Any, get_args

import pytest
from shared_data import shared
from timings import schedule_json

from service.programme.calendar import BEGINNING, END, Calendar, Span, Stretch
from service.programme.occurrences import Occurrence, occurrences
from service.programme.routine import routine_of
from service.programme.schedule import DayEvent, Routine, Schedule
from service.programme.zones import zone

PARIS = zone("Europe/Paris")


def expand(
    schedule: dict[str, Any], first: str, last: str, *, zone_info: tzinfo = PARIS
) -> list[Occurrence]:
    """Occurrences of a plan that begins on the first day, from that day to the last."""
    days = Calendar([Stretch(BEGINNING, zone_info, time(0, 0))])
    asked = days.span(date.fromisoformat(first), date.fromisoformat(last))
    found = occurrences(Schedule.model_validate(schedule), days, Span(asked.start, END), asked)
    return [one for one in found if asked.holds(one.at)]


def days_of(found: list[Occurrence]) -> list[str]:
    return [one.day.isoformat() for one in found]


def window_days(found: list[Occurrence]) -> list[str]:
    return [one.start.astimezone(PARIS).date().isoformat() for one in found]


def clocks_of(found: list[Occurrence]) -> list[str]:
    return [one.at.astimezone(PARIS).strftime("%d %H:%M") for one in found]


# Monthly and yearly steps (R4 periodUnit "mo" and "a")


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        ("2031-01-31", "2031-05-31", ["01-31", "02-28", "03-31", "04-30", "05-31"]),
        ("2032-01-31", "2032-05-31", ["01-31", "02-29", "03-31", "04-30", "05-31"]),
    ],
)
def test_monthly_from_the_31st(first: str, last: str, expected: list[str]) -> None:
    schedule = {
        "bounds": {"start": first, "end": last},
        "frequency": 1,
        "period": 1,
        "periodUnit": "mo",
    }
    assert [day[5:] for day in window_days(expand(schedule, first, last))] == expected


def test_every_three_months_from_the_30th() -> None:
    schedule = {"period": 3, "periodUnit": "mo", "bounds": {"start": "2031-11-30"}}
    found = window_days(expand(schedule, "2031-11-30", "2032-08-15"))
    assert found == ["2031-11-30", "2032-02-29", "2032-05-30"]


def test_yearly_from_29_february() -> None:
    schedule = {"period": 1, "periodUnit": "a", "timeOfDay": ["09:00"]}
    assert days_of(expand(schedule, "2028-02-29", "2032-12-31")) == [
        "2028-02-29", "2029-02-28", "2030-02-28", "2031-02-28", "2032-02-29",
    ]  # fmt: skip


# frequency counts events, period is a length: fourteen local days from Monday 2031-03-03


@pytest.mark.parametrize(
    ("schedule", "events"),
    [
        ({"frequency": 2, "period": 1, "periodUnit": "d"}, 28),
        ({"frequency": 1, "period": 7, "periodUnit": "d"}, 2),
        ({"frequency": 3, "period": 1, "periodUnit": "wk"}, 6),
        ({"frequency": 1, "period": Decimal("0.5"), "periodUnit": "d"}, 28),
        ({"count": 5, "frequency": 2, "period": 1, "periodUnit": "d"}, 5),
        ({}, 0),
        ({"duration": 20, "durationUnit": "min"}, 0),
        ({"frequency": 1, "period": 36, "periodUnit": "h"}, 9),
        ({"frequency": 1, "period": Decimal("0.5"), "periodUnit": "wk"}, 4),
        ({"frequency": 2, "period": 1, "periodUnit": "wk", "dayOfWeek": ["tue", "fri"]}, 4),
        ({"frequency": 1, "period": 2, "periodUnit": "wk", "dayOfWeek": ["tue", "fri"]}, 2),
        ({"dayOfWeek": ["tue", "fri"]}, 4),
        ({"frequency": 2, "dayOfWeek": ["tue", "fri"]}, 8),
        ({"when": ["MORN", "EVE"]}, 28),
        ({"frequency": 2, "period": 1, "periodUnit": "d", "when": ["MORN"]}, 28),
    ],
)
def test_how_many_in_fourteen_days(schedule: dict[str, Any], events: int) -> None:
    assert len(expand(schedule, "2031-03-03", "2031-03-16")) == events


def test_once_in_seven_days_has_windows_of_seven_days() -> None:
    schedule = {"frequency": 1, "period": 7, "periodUnit": "d"}
    assert window_days(expand(schedule, "2031-03-03", "2031-03-16")) == ["2031-03-03", "2031-03-10"]


def test_five_in_all_ends_on_the_third_morning() -> None:
    schedule = {"count": 5, "frequency": 2, "period": 1, "periodUnit": "d"}
    found = expand(schedule, "2031-03-03", "2031-03-16")
    assert clocks_of(found) == ["03 06:00", "03 18:00", "04 06:00", "04 18:00", "05 06:00"]


def test_a_count_is_counted_from_the_anchor_not_from_what_is_asked() -> None:
    days = Calendar([Stretch(BEGINNING, PARIS, time(0, 0))])
    plan = days.span(date(2031, 3, 3), None)
    asked = days.span(date(2031, 3, 5), date(2031, 3, 16))
    schedule = Schedule.model_validate({"count": 5, "frequency": 2, "period": 1, "periodUnit": "d"})
    assert len(list(occurrences(schedule, days, plan, asked))) == 1


# Ranges: the minimum is due, the maximum is only named


def test_two_to_three_a_day() -> None:
    schedule = {"frequency": 2, "frequencyMax": 3, "period": 1, "periodUnit": "d"}
    found = expand(schedule, "2031-03-03", "2031-03-03")
    assert [one.most for one in found] == [3, 3]


def test_every_four_to_six_hours_is_four_a_day_and_at_most_six() -> None:
    schedule = {"frequency": 1, "period": 4, "periodMax": 6, "periodUnit": "h"}
    found = expand(schedule, "2031-03-03", "2031-03-03")
    assert [one.most for one in found] == [6] * 4
    assert all(one.by_day for one in found)


# Clock times, events of the day, changes of the clocks


def test_clock_times_keep_their_clock_through_a_change() -> None:
    """08:00 in London on 29, 30 and 31 March 2031; summer time begins on the 30th."""
    found = expand(
        {"timeOfDay": ["08:00"]}, "2031-03-29", "2031-03-31", zone_info=zone("Europe/London")
    )
    assert [one.at.hour for one in found] == [8, 7, 7]


def test_other_zone_data_move_the_instants_not_the_plan() -> None:
    """As if London kept to UTC all year: the same schedule falls at 08:00 UTC throughout."""
    found = expand(
        {"timeOfDay": ["08:00"]}, "2031-03-29", "2031-03-31", zone_info=timezone(timedelta(0))
    )
    assert [one.at.hour for one in found] == [8, 8, 8]


def test_a_skipped_and_a_repeated_clock_time_come_once() -> None:
    half_past_two = {"timeOfDay": ["02:30"]}
    assert clocks_of(expand(half_past_two, "2031-03-30", "2031-03-30")) == ["30 03:30"]
    assert clocks_of(expand(half_past_two, "2031-10-26", "2031-10-26")) == ["26 02:30"]


def test_twice_on_a_short_day_stand_in_its_quarters() -> None:
    schedule = {"frequency": 2, "period": 1, "periodUnit": "d"}
    assert clocks_of(expand(schedule, "2031-03-30", "2031-03-30")) == ["30 06:45", "30 18:15"]


def test_offsets_go_before_meals_and_after_waking() -> None:
    before = expand({"when": ["AC"], "offset": 30}, "2031-03-03", "2031-03-03")
    assert clocks_of(before) == ["03 07:00", "03 12:00", "03 17:30"]
    after = expand({"when": ["WAKE"], "offset": 30}, "2031-03-03", "2031-03-03")
    assert clocks_of(after) == ["03 07:30"]
    some = expand(
        {"frequency": 2, "period": 1, "periodUnit": "d", "when": ["AC"]}, "2031-03-03", "2031-03-03"
    )
    assert clocks_of(some) == ["03 07:30", "03 18:00"]


ROUTINE = {"wake": "06:00", "breakfast": "06:30", "supper": "17:15", "bedtime": "19:30"}


@pytest.mark.parametrize(
    ("schedule", "clocks"),
    [
        ({"when": ["WAKE"], "offset": 10}, ["06:10"]),
        ({"when": ["ACM"], "offset": 20}, ["06:10"]),
        ({"when": ["PCV"], "offset": 45}, ["18:00"]),
        ({"when": ["AC"], "offset": 30}, ["06:00", "12:00", "16:45"]),
        ({"when": ["CD"]}, ["12:30"]),
        ({"when": ["HS"], "offset": 15}, ["19:15"]),
        ({"when": ["PHS"], "offset": 15}, ["19:45"]),
        ({"when": ["MORN", "EVE"]}, ["08:00", "19:00"]),
    ],
)
def test_the_family_s_own_day(schedule: dict[str, Any], clocks: list[str]) -> None:
    """Lunch is not told and is as usual. AC and HS count back, the others forward (R4 value set
    event-timing and the v3 code system that it takes them from)."""
    routine = routine_of(Routine.model_validate(ROUTINE))
    days = Calendar([Stretch(BEGINNING, PARIS, time(0, 0))])
    asked = days.span(date(2031, 3, 3), date(2031, 3, 3))
    model = Schedule.model_validate(schedule)
    found = list(occurrences(model, days, Span(asked.start, END), asked, routine))
    assert [clock[3:] for clock in clocks_of(found)] == clocks


def test_every_event_of_r4_has_a_time_for_every_family() -> None:
    for routine in (None, Routine(), Routine.model_validate(ROUTINE)):
        assert routine_of(routine).keys() == set(get_args(DayEvent))


# Windows and bounds


def test_days_have_day_windows_and_weeks_have_weeks_from_the_bounds() -> None:
    daily = expand({"frequency": 1, "period": 1, "periodUnit": "d"}, "2031-03-05", "2031-03-05")
    assert daily[0].by_day
    weekly = expand(
        {
            "frequency": 2,
            "period": 1,
            "periodUnit": "wk",
            "bounds": {"start": "2031-03-05"},
        },
        "2031-03-05",
        "2031-03-18",
    )
    assert window_days(weekly) == ["2031-03-05", "2031-03-05", "2031-03-12", "2031-03-12"]
    assert clocks_of(weekly) == ["06 18:00", "10 06:00", "13 18:00", "17 06:00"]
    assert not any(one.by_day for one in weekly)


@pytest.mark.parametrize(
    ("bounds", "events"),
    [
        ({"bounds": {"end": "2031-03-05"}}, 3),
        ({"bounds": {"start": "2031-03-04", "end": "2031-03-05"}}, 2),
        ({"bounds": {"start": "2031-03-03T13:00:00+01:00"}}, 13),
        ({"boundsDuration": {"value": 1, "unit": "wk"}}, 7),
        ({"boundsDuration": {"value": 36, "unit": "h"}}, 1),
        # Of a range the lower end says until when it is due, the upper one where it stands alone.
        (
            {"boundsRange": {"low": {"value": 5, "unit": "d"}, "high": {"value": 1, "unit": "wk"}}},
            5,
        ),
        ({"boundsRange": {"low": {"value": 1, "unit": "wk"}}}, 7),
        ({"boundsRange": {"high": {"value": 4, "unit": "d"}}}, 4),
    ],
)
def test_bounds(bounds: dict[str, Any], events: int) -> None:
    schedule = {"frequency": 1, "period": 1, "periodUnit": "d", **bounds}
    assert len(expand(schedule, "2031-03-03", "2031-03-16")) == events


def test_a_list_of_instants() -> None:
    schedule = {"event": ["2031-03-03T23:30:00Z", "2031-03-05T08:00:00+01:00"]}
    found = expand(schedule, "2031-03-03", "2031-03-16")
    assert days_of(found) == ["2031-03-04", "2031-03-05"]
    assert all(one.by_day for one in found)


def test_once_at_any_time_may_be_done_until_the_end() -> None:
    found = expand({"count": 1, "bounds": {"end": "2031-03-12"}}, "2031-03-03", "2031-03-16")
    assert [(one.start, one.end) for one in found] == [
        (datetime(2031, 3, 2, 23, tzinfo=UTC), datetime(2031, 3, 12, 23, tzinfo=UTC))
    ]


def test_at_any_time_between_so_often_and_so_often() -> None:
    schedule = {"count": 2, "countMax": 3, "bounds": {"end": "2031-03-12"}}
    assert [one.most for one in expand(schedule, "2031-03-03", "2031-03-16")] == [3, 3]


# Published cases


def _published() -> list[dict[str, Any]]:
    cases = json.loads(
        shared("conformance/timing/timing-cases.json").read_text(), parse_float=Decimal
    )
    return [case for case in cases["valid"] if case["timing"].get("repeat")]


def test_published_counts() -> None:
    """The Timing tables of the R4 data types page; of a range the lower end is what is due."""
    checked = 0
    for case in _published():
        schedule, expect = schedule_json(case["timing"]), case["expect"]
        first = date(2026, 3, 2)
        if "start" in expect:
            first = date.fromisoformat(expect["start"][:10]) + timedelta(days=1)
        window: dict[str, Any] = expect.get("window", {})
        days, wanted = window.get("days", 1), window.get("count", expect.get("perDay"))
        if "total" in expect:
            days, wanted = 366, expect["total"]
        last = first + timedelta(days=days - 1)
        found = expand(schedule, first.isoformat(), last.isoformat(), zone_info=UTC)
        assert len(found) == wanted[0], case["id"]
        if "dates" in window:
            assert days_of(found) == window["dates"], case["id"]
        if "spanDays" in expect:
            assert (found[-1].day - found[0].day).days + 1 == expect["spanDays"], case["id"]
        checked += 1
    assert checked >= 10


def test_published_codes_equal_their_schedules() -> None:
    """QD, QOD, TID, QID, Q4H, Q6H of the R4 Timing code table, as the repeats they stand for."""
    in_fourteen_days = {"c-qod": 7, "c-qd": 14, "c-tid": 42, "c-qid": 56, "c-q4h": 84, "c-q6h": 56}
    cases = json.loads(shared("conformance/timing/timing-cases.json").read_text())
    for case in cases["valid"]:
        if case["id"] in in_fourteen_days:
            repeat = {"repeat": case["expect"]["equivalentRepeat"]}
            found = expand(schedule_json(repeat), "2026-03-02", "2026-03-15")
            assert len(found) == in_fourteen_days[case["id"]], case["id"]
