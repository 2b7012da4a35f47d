"""Calendar half-years, over only when they are over everywhere."""

from datetime import UTC, date, datetime, timedelta, timezone

import pytest

from service.registry.errors import NotReleasable
from service.registry.half_year import HalfYear


def test_half_years_fill_the_year_without_overlap() -> None:
    first, second, next_first = map(HalfYear.parse, ("2026-H1", "2026-H2", "2027-H1"))
    assert (first.first, first.last) == (date(2026, 1, 1), date(2026, 6, 30))
    assert second.first - first.last == next_first.first - second.last == timedelta(days=1)
    assert str(second) == "2026-H2"


@pytest.mark.parametrize("text", ["2026", "2026-H3", "2026-h1", "26-H1", "2026-H1 ", "0000-H1", ""])
def test_anything_else_is_no_half_year(text: str) -> None:
    with pytest.raises(ValueError, match="a half-year such as 2026-H1 is expected"):
        HalfYear.parse(text)


def test_a_half_year_is_over_when_it_is_over_in_the_last_time_zone() -> None:
    half_year = HalfYear.parse("2026-H1")
    last_zone = timezone(timedelta(hours=-12))
    with pytest.raises(NotReleasable, match="2026-H1 is not over everywhere yet"):
        half_year.check_over(datetime(2026, 6, 30, 23, 59, 59, tzinfo=last_zone))
    with pytest.raises(NotReleasable, match="2026-07-01T12:00:00Z"):
        half_year.check_over(datetime(2026, 7, 1, 11, 59, tzinfo=UTC))
    half_year.check_over(datetime(2026, 7, 1, 12, 0, tzinfo=UTC))
