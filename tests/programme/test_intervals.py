"""Wilson's interval against ``statsmodels`` and against printed check values."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from service.programme.intervals import wilson


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
