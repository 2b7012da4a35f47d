"""Intervals against ``statsmodels`` and ``scipy``, and against printed check values."""

from statistics import StatisticsError

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student_t
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from service.programme.intervals import mean_with_interval, newcombe, student_t_95, wilson


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [
        # The first four pairs are those of Stat Med 1998;17:857, table I (recalled, then computed).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
        (23, 60, 0.2709, 0.5098),
        (10, 14, 0.4535, 0.8828),
        (14, 14, 0.7847, 1.0000),
        (0, 7, 0.0000, 0.3543),
        (7, 7, 0.6457, 1.0000),
    ],
)
def test_check_values(successes: int, trials: int, low: float, high: float) -> None:
    assert wilson(successes, trials) == pytest.approx((low, high), abs=5e-5)


@given(trials=st.integers(1, 2000), data=st.data())
def test_equals_statsmodels(trials: int, data: st.DataObject) -> None:
    successes = data.draw(st.integers(0, trials))
    expected = proportion_confint(successes, trials, alpha=0.05, method="wilson")
    assert wilson(successes, trials) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("successes", "trials"), [(0, 0), (3, 2), (-1, 5)])
def test_no_share_no_interval(successes: int, trials: int) -> None:
    with pytest.raises(ValueError, match="no share"):
        wilson(successes, trials)


# -- the difference of two shares ------------------------------------------------------------------


@given(st.data())
def test_differences_equal_statsmodels(data: st.DataObject) -> None:
    n, m = data.draw(st.integers(1, 400)), data.draw(st.integers(1, 400))
    a, b = data.draw(st.integers(0, n)), data.draw(st.integers(0, m))
    expected = confint_proportions_2indep(a, n, b, m, method="newcomb", compare="diff")
    assert newcombe((a, n), (b, m)) == pytest.approx(expected, abs=1e-9)


def test_the_difference_of_the_paper() -> None:
    """56/70 less 48/80: 0.0524 to 0.3339, Stat Med 1998;17:873, table II, method 10 (the pair is
    recalled from memory)."""
    assert newcombe((56, 70), (48, 80)) == pytest.approx((0.0524, 0.3339), abs=5e-5)


# -- the mean of some children ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("freedom", "printed"),
    [(1, 12.706), (2, 4.303), (5, 2.571), (10, 2.228), (30, 2.042), (120, 1.980)],
)
def test_student_s_t_as_tables_print_it(freedom: int, printed: float) -> None:
    """The 97.5% points as any printed table of the distribution has them."""
    assert student_t_95(freedom) == pytest.approx(printed, abs=5e-4)


@given(st.integers(1, 1500))
def test_student_s_t_equals_scipy(freedom: int) -> None:
    assert student_t_95(freedom) == pytest.approx(student_t.ppf(0.975, freedom), abs=1e-9)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=60))
def test_means_equal_statsmodels(values: list[float]) -> None:
    mean, low, high = mean_with_interval(values)
    assert mean == pytest.approx(sum(values) / len(values))
    if max(values) - min(values) > 1e-6:
        assert (low, high) == pytest.approx(DescrStatsW(values).tconfint_mean(), abs=1e-9)


def test_one_value_has_no_interval_and_none_has_no_mean() -> None:
    assert mean_with_interval([0.5]) == (0.5, None, None)
    with pytest.raises(StatisticsError):
        mean_with_interval([])
