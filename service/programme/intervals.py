"""How sure a share is."""

from collections.abc import Sequence
from functools import cache
from math import atan, cos, pi, sin, sqrt
from statistics import fmean, stdev

_SURE = 0.95
Z_95 = 1.959963984540054
"""The 97.5% point of the standard normal distribution."""


def wilson(successes: int, trials: int) -> tuple[float, float]:
    """The 95% score interval for a share (Wilson, J Am Stat Assoc 1927;22:209).

    It treats the trials as independent, which the sessions of one child are not, so it is too
    narrow for more than a rough idea; answers say so. Raises ``ValueError`` when there is no
    trial or the counts are impossible.
    """
    if not 0 <= successes <= trials or trials == 0:
        raise ValueError(f"{successes} of {trials} is no share")
    share = successes / trials
    spread = Z_95**2 / trials
    centre = share + spread / 2
    half = Z_95 * sqrt(share * (1 - share) / trials + spread / (4 * trials))
    low = (centre - half) / (1 + spread)
    high = (centre + half) / (1 + spread)
    return (0.0 if successes == 0 else low, 1.0 if successes == trials else high)


def newcombe(one: tuple[int, int], other: tuple[int, int]) -> tuple[float, float]:
    """The 95% interval for the difference of two shares, ``one`` less ``other``.

    Each is (successes, trials). The hybrid score interval without continuity correction: method 10
    of Newcombe RG, Stat Med 1998;17:873. It treats all trials as independent, see ``wilson``.
    """
    (low_one, high_one), (low_other, high_other) = wilson(*one), wilson(*other)
    share_one, share_other = one[0] / one[1], other[0] / other[1]
    difference = share_one - share_other
    low = difference - sqrt((share_one - low_one) ** 2 + (high_other - share_other) ** 2)
    high = difference + sqrt((high_one - share_one) ** 2 + (share_other - low_other) ** 2)
    return low, high


def mean_with_interval(values: Sequence[float]) -> tuple[float, float | None, float | None]:
    """The mean of values and the ends of its 95% interval (Student's t); no ends for one value.

    Raises ``ValueError`` (``statistics.StatisticsError``) for none.
    """
    mean = fmean(values)
    if len(values) == 1:
        return mean, None, None
    half = student_t_95(len(values) - 1) * stdev(values) / sqrt(len(values))
    return mean, mean - half, mean + half


@cache
def student_t_95(freedom: int) -> float:
    """The 97.5% point of Student's t for so many degrees of freedom, at least one."""
    low, high = 0.0, 13.0  # 12.706 for one degree, the largest
    while low < (middle := (low + high) / 2) < high:
        if _within(middle, freedom) < _SURE:
            low = middle
        else:
            high = middle
    return middle


def _within(t: float, freedom: int) -> float:
    """The probability that Student's t lies between -t and t.

    Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4: finite sums.
    """
    angle = atan(t / sqrt(freedom))
    odd = freedom % 2
    term = cos(angle) if odd else 1.0
    total = term if freedom > 1 else 0.0
    for k in range(2 + odd, freedom - 1, 2):
        term *= cos(angle) ** 2 * (k - 1) / k
        total += term
    sums = sin(angle) * total
    return 2 / pi * (angle + sums) if odd else sums
