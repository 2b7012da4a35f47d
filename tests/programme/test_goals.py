"""Progress of a goal, week by week, by hand."""

from typing import Any

import histories
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.programme.goals import Progress, progress
from service.programme.plan import Goal

TEN = {"measure": "sessions-per-week", "detail": 10, "unit": "/wk"}
HOUR = {"measure": "exercise-minutes", "detail": 60, "unit": "min"}


def _goal(target: dict[str, Any] | None, start: str | None = None) -> Goal:
    return Goal.model_validate(
        {"key": "ours", "description": "Ten in a week", "target": target, "start": start}
    )


TABLE = """
week     done  standing     why
05 May   14    reached      two a day
12 May   9     not-reached  nine
19 May   0     no-log       nobody logged anything
26 May   8     paused       away on two days
02 Jun   11    reached      one of them extra
09 Jun   3     not-whole    asked about until the 11th only
"""


def test_sessions_by_hand() -> None:
    done = histories.sessions_on(
        "2031-05-05",
        [
            *(2, 2, 2, 2, 2, 2, 2),
            *(2, 2, 2, 2, 1, 0, 0),
            *(0, 0, 0, 0, 0, 0, 0),
            *(2, 2, 2, 2, 0, 0, 0),
            *(3, 2, 2, 2, 2, 0, 0),
            *(1, 1, 1, 2, 2, 2, 2),
        ],
    )
    away = histories.pause("2031-05-30", "2031-05-31")
    what = histories.history([histories.plan()], done, pauses=[away])
    found = progress(_goal(TEN), histories.ask(what, "2031-05-05", "2031-06-11"))
    assert found is not None
    told = [[f"{week.first:%d %b}", str(week.done), week.standing] for week in found.weeks]
    lines = [line.split()[:4] for line in TABLE.strip().splitlines()[1:]]
    assert told == [[f"{day} {month}", count, standing] for day, month, count, standing in lines]
    assert (found.reached, found.judged) == (2, 3)


def test_minutes_by_hand() -> None:
    """25 minutes told, 20 from start to end, 20 more: 65. A session that does not say how long is
    counted apart. Other techniques are no exercise; a doubtful clock and a row told twice count
    nothing."""
    sport = {"technique": "exercise"}
    done = [
        histories.session("2031-05-05T16:00:00+02:00", minutes=25, **sport),
        histories.session("2031-05-06T16:00:00+02:00", end="2031-05-06T16:20:00+02:00", **sport),
        histories.session("2031-05-07T16:00:00+02:00", minutes=20, **sport),
        histories.session("2031-05-08T16:00:00+02:00", **sport),
        histories.session("2031-05-08T18:00:00+02:00", minutes=40),
        histories.session("2031-05-09T16:00:00+02:00", minutes=40, clock="suspect", **sport),
        histories.session("2031-05-07T16:05:00+02:00", minutes=30, **sport),  # told twice
    ]
    answer = histories.ask(histories.history([histories.plan()], done), "2031-05-05", "2031-05-11")
    found = progress(_goal(HOUR), answer)
    assert found is not None
    (week,) = found.weeks
    assert (week.done, week.unmeasured, week.standing) == (65, 1, "reached")
    hours = progress(_goal({**HOUR, "unit": "h", "detail": 2}), answer)
    assert hours is not None
    assert (float(hours.weeks[0].done), hours.weeks[0].standing) == (65 / 60, "not-reached")


def test_weeks_before_the_goal_was_set_do_not_count() -> None:
    done = histories.sessions_on("2031-05-05", [2] * 21)
    answer = histories.ask(histories.history([histories.plan()], done), "2031-05-05", "2031-05-25")
    found = progress(_goal(TEN, start="2031-05-16"), answer)
    assert found is not None
    assert [(week.first.day, week.done, week.standing) for week in found.weeks] == [
        (16, 6, "not-whole"),
        (19, 14, "reached"),
    ]


@pytest.mark.parametrize(
    "target",
    [
        None,
        {"measure": "own-words", "detail": 1, "unit": "puffs"},
        {"measure": "exercise-minutes", "detail": 30, "unit": "games"},
    ],
)
def test_what_is_not_counted_has_no_progress(target: dict[str, Any] | None) -> None:
    answer = histories.ask(histories.history([histories.plan()]), "2031-05-05", "2031-05-11")
    assert progress(_goal(target), answer) is None


@given(counts=st.lists(st.integers(0, 4), min_size=28, max_size=28), more=st.integers(0, 27))
def test_one_more_session_never_makes_it_worse(counts: list[int], more: int) -> None:
    def of(days: list[int]) -> Progress:
        what = histories.history([histories.plan()], histories.sessions_on("2031-05-05", days))
        found = progress(_goal(TEN), histories.ask(what, "2031-05-05", "2031-06-01"))
        assert found is not None
        return found

    richer = [count + (at == more) for at, count in enumerate(counts)]
    before, after = of(counts), of(richer)
    assert after.reached >= before.reached
    assert sum(week.done for week in after.weeks) == sum(week.done for week in before.weeks) + 1
