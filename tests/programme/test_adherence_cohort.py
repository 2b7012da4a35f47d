"""Many children: each is one unit."""

from collections.abc import Sequence

import histories
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.weightstats import DescrStatsW

from service.programme.adherence import FIGURES, Figure, FigureName
from service.programme.adherence.cohort import group_figures


def _child(often: int, done: Sequence[int], paused: bool = False) -> dict[FigureName, Figure]:
    """So many a day for a week from 1 May, and so many done on each day."""
    away = [histories.pause("2031-05-01", "2031-05-31")] if paused else []
    what = histories.history(
        [histories.plan(histories.regimen(often))],
        histories.sessions_on("2031-05-01", done),
        pauses=away,
    )
    return dict(histories.ask(what, "2031-05-01", "2031-05-07").figures)


TABLE = """
child  a_day  done on the seven days  score
A      1      1 1 1 1 1 1 1           7 of 7   = 1
B      4      0 0 0 0 0 0 0           0 of 28  = 0
C      2      2 1 2 0 1 0 1           7 of 14  = 0.5
D      2      away all week           no score
"""


def test_a_group_by_hand() -> None:
    """The mean of 1, 0 and 0.5 is 0.5, whatever each had to do: 14 of 49 would be 0.29. With three
    children t is 4.303; the deviation is 0.5, so half the interval is 4.303 * 0.5 / 1.732 = 1.242,
    and it is cut at 0 and 1."""
    children = [
        _child(1, [1] * 7),
        _child(4, [0] * 7),
        _child(2, [2, 1, 2, 0, 1, 0, 1]),
        _child(2, [0] * 7, paused=True),
    ]
    found = group_figures(children)["sessions"]
    assert (found.children, found.scored, found.score) == (4, 3, 0.5)
    assert (found.numerator, found.denominator, found.paused) == (14, 49, 14)
    assert (found.low, found.high) == (0, 1)


def test_nobody_has_a_score() -> None:
    for children in ([], [_child(2, [0] * 7, paused=True)]):
        for figure in group_figures(children).values():
            assert (figure.scored, figure.score, figure.low) == (0, None, None)
            assert figure.reason == "no-child-has-a-score"


def test_one_child_is_itself_without_an_interval() -> None:
    child = _child(2, [2, 1, 2, 0, 1, 0, 1])
    found = group_figures([child])
    for name in FIGURES:
        assert found[name].score == child[name].score
        assert (found[name].low, found[name].high) == (None, None)


@given(st.lists(st.lists(st.integers(0, 3), min_size=7, max_size=7), min_size=3, max_size=12))
def test_equals_statsmodels_in_any_order(done: list[list[int]]) -> None:
    children = [_child(3, days) for days in done]
    found = group_figures(children)["sessions"]
    assert group_figures(children[::-1])["sessions"] == found
    scores = [child["sessions"].score or 0 for child in children]
    assert found.score == pytest.approx(sum(scores) / len(scores))
    if len(set(scores)) > 1:
        low, high = DescrStatsW(scores).tconfint_mean()
        assert (found.low, found.high) == pytest.approx((max(0, low), min(1, high)), abs=1e-9)
