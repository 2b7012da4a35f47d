"""Dates as spans: R4 search.html#date and datatypes.html; datetime of Python as the oracle."""

from datetime import UTC, date, datetime, timedelta, timezone
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.spans import span_of

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
zones = st.integers(-13 * 60, 13 * 60).map(lambda m: timezone(timedelta(minutes=m)))


def micros(moment: datetime) -> int:
    return (moment - EPOCH) // timedelta(microseconds=1)


@given(st.datetimes(datetime(1, 1, 3), datetime(9999, 12, 29), timezones=zones))  # noqa: DTZ001
def test_an_instant_spans_its_last_digit(moment: datetime) -> None:
    second = moment.replace(microsecond=0)
    assert span_of(second.isoformat()) == (micros(second), micros(second) + 1_000_000)
    exact = moment.isoformat(timespec="microseconds")
    assert span_of(exact) == (micros(moment), micros(moment) + 1)
    milli = moment.isoformat(timespec="milliseconds")
    assert span_of(milli)[1] - span_of(milli)[0] == 1_000


@given(st.dates(max_value=date(9999, 12, 30)))
def test_a_day_lies_in_its_month_in_its_year(day: date) -> None:
    texts = [day.isoformat(), day.isoformat()[:7], day.isoformat()[:4]]
    spans = [span_of(text) for text in texts]
    assert spans[0][1] - spans[0][0] == 86_400_000_000
    for inner, outer in pairwise(spans):
        assert outer[0] <= inner[0]
        assert inner[1] <= outer[1]


@given(st.integers(1, 9998))
def test_years_touch_without_a_gap(year: int) -> None:
    assert span_of(f"{year:04}")[1] == span_of(f"{year + 1:04}")[0]
    assert span_of(f"{year:04}-12")[1] == span_of(f"{year + 1:04}-01")[0]


def test_without_an_offset_time_is_read_in_utc() -> None:
    assert span_of("2031-03-09T07:05") == span_of("2031-03-09T08:05+01:00")
    assert span_of("2031-03-09T07:05:00") == span_of("2031-03-09T07:05:00Z")


def test_a_leap_second_sorts_last_in_its_minute() -> None:
    leap = span_of("2016-12-31T23:59:60Z")
    assert span_of("2016-12-31T23:59:59.999Z")[0] < leap[0] < span_of("2017-01-01T00:00:00Z")[0]
    assert leap[1] == span_of("2016-12-31")[1]


def test_the_last_year_ends() -> None:
    assert span_of("9999")[1] == span_of("9999-12-31")[1] == span_of("9999-12")[1]


@pytest.mark.parametrize(
    "text",
    ["20x1", "", "2031-13", "2031-02-30", "2031-03-09T24:00:00Z", "2031-03-09T23:59:61Z",
     "2031-03-09T22:55:00 01:00", "2031-3-9", "0000", "2031-03-09T07", "٢٠٣١",
     "2031-03-09T07:05+15:00"],
)  # fmt: skip
def test_what_is_no_date(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011  # the kind of error is the promise
        span_of(text)
