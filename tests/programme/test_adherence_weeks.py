"""Week by week, the trend of the weeks, and before and after a change of plan."""

from collections.abc import Sequence
from datetime import date, timedelta
from fractions import Fraction

import histories
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kendalltau, theilslopes
from statsmodels.stats.proportion import confint_proportions_2indep

from service.programme.adherence import Figure
from service.programme.adherence.change import changes
from service.programme.adherence.series import Week, weeks
from service.programme.adherence.trend import Trend, trend

MONDAY = date(2031, 5, 5)

# -- weeks -----------------------------------------------------------------------------------------

TABLE = """
first       last        done  due  due_days  paused_days  unlogged_days
2031-05-01  2031-05-04  5     8    4         0            1
2031-05-05  2031-05-11  2     10   5         2            3
2031-05-12  2031-05-18  0     14   7         0            7
2031-05-19  2031-05-20  4     4    2         0            0
"""
DONE = [2, 1, 0, 2, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2, 2]


def test_weeks_by_hand() -> None:
    """Two a day from Thursday 1 May, away on 8 and 9 May, asked about until Tuesday 20 May."""
    away = histories.pause("2031-05-08", "2031-05-09")
    done = histories.sessions_on("2031-05-01", DONE)
    what = histories.history([histories.plan()], done, pauses=[away])
    found = weeks(histories.ask(what, "2031-05-01", "2031-05-20"))
    heading, *lines = TABLE.strip().splitlines()
    told = [
        [
            week.first, week.last, week.figure.numerator, week.figure.denominator,
            week.due_days, week.paused_days, week.unlogged_days,
        ]
        for week in found
    ]  # fmt: skip
    assert [[str(cell) for cell in row] for row in told] == [line.split() for line in lines]
    assert heading.split()[2:] == ["done", "due", "due_days", "paused_days", "unlogged_days"]
    assert [week.is_whole for week in found] == [False, True, True, False]
    assert [week.is_silent for week in found] == [False, False, True, False]


def test_a_week_without_anything_due_says_why() -> None:
    as_needed = histories.regimen(asNeeded=True, schedule=None)
    later = histories.plan(as_needed, start="2031-05-12", end="2031-05-18")
    what = histories.history([histories.plan(end="2031-05-11"), later])
    found = weeks(histories.ask(what, "2031-05-05", "2031-05-25"))
    assert [week.figure.reason for week in found] == [None, "no-schedule", "no-plan"]


def test_weeks_add_up_to_the_figure() -> None:
    answer = histories.ask(
        histories.history([histories.plan()], histories.sessions_on("2031-05-01", DONE)),
        "2031-05-02",
        "2031-06-11",
    )
    found, whole = weeks(answer), answer.figures["sessions"]
    assert sum(week.figure.numerator for week in found) == whole.numerator
    assert sum(week.figure.denominator for week in found) == whole.denominator
    assert sum(week.unlogged_days for week in found) == answer.unlogged_days


# -- trend -----------------------------------------------------------------------------------------


def _weeks(scores: Sequence[int | None], due: int = 14) -> list[Week]:
    """Whole weeks with so many done; None is a week in which nothing was due."""
    return [_week(at, done, due) for at, done in enumerate(scores)]


def _week(at: int, done: int | None, due: int = 14, unlogged: int = 0) -> Week:
    first = MONDAY + timedelta(weeks=at)
    figure = Figure(Fraction(0), 0, due, None, reason="all-paused")
    if done is not None:
        figure = Figure(Fraction(done), due, 0, done / due)
    days = 0 if done is None else 7
    return Week(first, first + timedelta(days=6), figure, days, 7 - days, unlogged)


def _shown(scores: Sequence[int | None]) -> Trend:
    found = trend(_weeks(scores))
    assert found is not None
    return found


@given(st.lists(st.integers(0, 14) | st.none(), min_size=8, max_size=60))
def test_trend_equals_scipy(scores: list[int | None]) -> None:
    points = [(at, done / 14) for at, done in enumerate(scores) if done is not None]
    found = trend(_weeks(scores))
    if len(points) < 8:
        assert found is None
        return
    assert found is not None
    at, values = zip(*points, strict=True)
    assert found.slope_per_week == pytest.approx(theilslopes(values, at).slope, abs=1e-12)
    if len(set(values)) == 1:
        assert (found.tau, found.p) == (0, 1), "all the same: scipy has no number for it"
        return
    expected = kendalltau(at, values, variant="b", method="asymptotic")
    assert (found.tau, found.p) == pytest.approx((expected.statistic, expected.pvalue), abs=1e-9)


@pytest.mark.parametrize(
    ("scores", "direction"),
    [
        ([3, 4, 4, 6, 7, 9, 10, 12], "rising"),
        ([13, 12, 12, 9, 8, 6, 5, 2], "falling"),
        ([7, 9, 6, 8, 7, 10, 6, 8], "no trend shown"),
        ([7, 7, 7, 7, 7, 7, 7, 7], "no trend shown"),
    ],
)
def test_directions(scores: list[int | None], direction: str) -> None:
    assert _shown(scores).direction == direction


def test_by_hand() -> None:
    """Eight weeks, each one session of 14 better than the one before: every pair agrees. The
    statistic is 28, its variance 8 * 7 * 21 / 18 = 65.33, z = 3.464, two-sided p = 0.00053."""
    found = _shown(range(1, 9))
    assert (found.tau, found.weeks) == (1, 8)
    assert found.p == pytest.approx(0.00053, abs=5e-6)
    assert found.slope_per_week == pytest.approx(1 / 14)


def test_nobody_logged_is_not_a_fall() -> None:
    """Seven silent weeks after eight steady ones: they are left out, and their number is told."""
    steady = [_week(at, 7) for at in range(8)]
    silent = [_week(at, 0, unlogged=7) for at in range(8, 15)]
    found = trend([*steady, *silent])
    assert found is not None
    assert (found.weeks, found.silent_weeks, found.direction) == (8, 7, "no trend shown")


def test_weeks_that_are_cut_do_not_count() -> None:
    whole = _weeks([3, 4, 4, 6, 7, 9, 10, 12])
    cut = Week(whole[-1].first, whole[-1].last - timedelta(days=2), whole[-1].figure, 5, 0, 0)
    assert trend([*whole[:-1], cut]) is None


# -- before and after a change ---------------------------------------------------------------------


def test_before_and_after_by_hand() -> None:
    """Two a day to 10 June, then one a day. Four weeks before: 10 of 56 done; after, 14 of 20."""
    plans = [histories.plan(), histories.plan(histories.regimen(1), start="2031-06-11")]
    done = [
        *histories.sessions_on("2031-05-05", [2] * 9),  # from 14 May on they are compared: none
        *histories.sessions_on("2031-05-14", [1] * 10),
        *histories.sessions_on("2031-06-11", [1] * 14),
    ]
    answer = histories.ask(histories.history(plans, done), "2031-05-01", "2031-06-30")
    (change,) = changes(answer)
    sides = [(str(side.first), str(side.last)) for side in (change.before, change.after)]
    assert sides == [("2031-05-14", "2031-06-10"), ("2031-06-11", "2031-06-30")]
    counts = [
        (float(one.figure.numerator), one.figure.denominator)
        for one in (change.before, change.after)
    ]
    assert counts == [(10, 56), (14, 20)]
    assert change.difference == pytest.approx(14 / 20 - 10 / 56)
    expected = confint_proportions_2indep(14, 20, 10, 56, method="newcomb", compare="diff")
    assert (change.low, change.high) == pytest.approx(expected, abs=1e-9)


def test_a_side_never_reaches_across_another_change() -> None:
    starts = ["2031-05-01", "2031-05-20", "2031-05-25"]
    plans = [histories.plan(start=start) for start in starts]
    answer = histories.ask(histories.history(plans), "2031-05-01", "2031-06-30")
    spans = [
        (str(side.first)[5:], str(side.last)[5:])
        for change in changes(answer)
        for side in (change.before, change.after)
    ]
    assert spans == [("05-01", "05-19"), ("05-20", "05-24"), ("05-20", "05-24"), ("05-25", "06-21")]


def test_a_side_on_which_all_was_paused_gives_no_difference() -> None:
    plans = [histories.plan(), histories.plan(start="2031-05-11")]
    away = histories.pause("2031-05-11", "2031-05-31")
    answer = histories.ask(histories.history(plans, pauses=[away]), "2031-05-01", "2031-05-31")
    (change,) = changes(answer)
    assert change.after.figure.reason == "all-paused"
    assert (change.difference, change.low, change.high) == (None, None, None)
