"""Clocks that are wrong: corrected when the upload says by how much."""

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
    corrected = clock.corrected(session("2031-03-06T07:00:00Z", end="2031-03-06T07:20:00Z"))
    assert corrected.start == datetime(2031, 3, 8, 7, tzinfo=UTC)
    assert corrected.end == datetime(2031, 3, 8, 7, 20, tzinfo=UTC)
    assert corrected.device_start == datetime(2031, 3, 6, 7, tzinfo=UTC)
    assert corrected.clock == "corrected"
    again = clock.corrected(session("2031-03-07T07:00:00Z"))
    assert again.start == datetime(2031, 3, 9, 7, tzinfo=UTC)


@pytest.mark.parametrize("minutes", [-10, -3, 0, 3, 10])
def test_a_clock_within_ten_minutes_is_right(minutes: int) -> None:
    clock = DeviceClock(RECEIVED, RECEIVED + timedelta(minutes=minutes))
    sent = session("2031-03-08T07:00:00Z")
    assert clock.corrected(sent) == sent


def test_a_clock_that_nobody_speaks_of_is_left_alone() -> None:
    sent = session("1970-01-01T00:12:00Z")
    assert DeviceClock(RECEIVED).corrected(sent) == sent


def test_a_session_whose_clock_was_judged_before_is_left_alone() -> None:
    judged = session("2031-03-08T07:00:00Z", clock="suspect")
    assert DeviceClock(RECEIVED, RECEIVED - timedelta(days=2)).corrected(judged) == judged


def test_a_time_that_no_date_could_hold_is_left_alone() -> None:
    sent = session("9999-12-31T00:00:00Z")
    assert DeviceClock(RECEIVED, RECEIVED - timedelta(days=2)).corrected(sent) == sent


@given(
    st.timedeltas(timedelta(days=-22700), timedelta(days=3200)),
    st.none() | st.timedeltas(timedelta(days=-4000), timedelta(days=4000)),
)
def test_what_was_sent_can_always_be_told(since: timedelta, behind: timedelta | None) -> None:
    sent = session((RECEIVED + since).isoformat(timespec="seconds"))
    clock = DeviceClock(RECEIVED, RECEIVED - behind if behind is not None else None)
    assert as_sent(clock.corrected(sent)) == sent
