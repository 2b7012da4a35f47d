"""Clocks that are wrong: corrected when the upload says by how much, flagged otherwise."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.programme.device_clock import DeviceClock, as_sent
from service.programme.log import Session

RECEIVED = datetime(2031, 3, 9, 8, tzinfo=UTC)


def session(start: str, **more: object) -> Session:
    return Session.model_validate(
        {
            "source": "device-export",
            "child": {"system": "https://clinic.example/id/child", "value": "C-01"},
            "technique": "opep",
            "recordedBy": "device",
            "outcome": "complete",
            "start": start,
        }
        | more
    )


def test_a_clock_two_days_behind_is_corrected_by_two_days() -> None:
    clock = DeviceClock(RECEIVED, datetime(2031, 3, 7, 8, tzinfo=UTC))
    settled = clock.settle(session("2031-03-06T07:00:00Z", end="2031-03-06T07:20:00Z"))
    assert settled.start == datetime(2031, 3, 8, 7, tzinfo=UTC)
    assert settled.end == datetime(2031, 3, 8, 7, 20, tzinfo=UTC)
    assert settled.device_start == datetime(2031, 3, 6, 7, tzinfo=UTC)
    assert settled.clock == "corrected"
    again = clock.settle(session("2031-03-07T07:00:00Z"))
    assert again.start == datetime(2031, 3, 9, 7, tzinfo=UTC)


@pytest.mark.parametrize(
    ("start", "flag"),
    [
        ("1970-01-01T00:12:00Z", "suspect"),
        ("1999-12-31T23:59:59Z", "suspect"),
        ("2031-03-11T07:00:00Z", "suspect"),
        ("2031-03-09T08:03:00Z", None),
        ("2031-03-09T08:10:00Z", None),
        ("2031-03-09T08:10:01Z", "suspect"),
        ("9999-12-31T23:59:59Z", "suspect"),
    ],
)
def test_without_an_offset_an_impossible_time_is_flagged_and_not_moved(
    start: str, flag: str | None
) -> None:
    settled = DeviceClock(RECEIVED).settle(session(start))
    assert settled.clock == flag
    assert settled.start == session(start).start
    assert settled.device_start is None


def test_what_stays_impossible_after_correction_is_flagged_where_it_was() -> None:
    clock = DeviceClock(RECEIVED, RECEIVED - timedelta(days=2))
    for start in ("2031-03-09T07:00:00Z", "9999-12-31T00:00:00Z"):
        settled = clock.settle(session(start))
        assert (settled.clock, settled.start) == ("suspect", session(start).start)


@pytest.mark.parametrize("minutes", [-10, -3, 0, 3, 10])
def test_a_clock_within_ten_minutes_is_right(minutes: int) -> None:
    clock = DeviceClock(RECEIVED, RECEIVED + timedelta(minutes=minutes))
    assert clock.settle(session("2031-03-08T07:00:00Z")).clock is None


def test_a_session_whose_clock_was_judged_before_is_left_alone() -> None:
    judged = session("2031-03-08T07:00:00Z", clock="suspect")
    assert DeviceClock(RECEIVED, RECEIVED - timedelta(days=2)).settle(judged) == judged


@given(
    st.timedeltas(timedelta(days=-22700), timedelta(days=3200)),
    st.none() | st.timedeltas(timedelta(days=-4000), timedelta(days=4000)),
)
def test_what_was_sent_can_always_be_told(since: timedelta, behind: timedelta | None) -> None:
    sent = session((RECEIVED + since).isoformat(timespec="seconds"))
    clock = DeviceClock(RECEIVED, RECEIVED - behind if behind is not None else None)
    assert as_sent(clock.settle(sent)) == sent
