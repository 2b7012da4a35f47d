"""Whether weekly figures rise or fall: the test of Mann and Kendall, with Theil and Sen's slope.

Mann HB, Econometrica 1945;13:245; Kendall MG, Rank correlation methods; Sen PK, J Am Stat Assoc
1968;63:1379. The statistic is tau-b; its p is that of the normal approximation with the variance
for ties and without a correction for continuity, as ``scipy.stats.kendalltau`` has it.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import erfc, sqrt
from statistics import median
from typing import Final, Literal

from service.programme.adherence.series import Week

FEWEST_WEEKS: Final = 8
"""Below it no trend is worked out: common practice for a normal approximation."""
TEST: Final = "Mann-Kendall (tau-b, normal approximation with ties), Theil-Sen slope"
SURE: Final = 0.05
"""The two-sided p below which a direction is named."""

Direction = Literal["rising", "falling", "no trend shown"]


@dataclass(frozen=True, slots=True)
class Trend:
    """The trend of weekly scores, and the test by which it was judged.

    ``weeks`` were compared; ``silent_weeks`` were left out because nobody logged anything in them:
    silence is not refusal. ``slope_per_week`` is a change of the score (0.01 is one percentage
    point a week). The test takes the weeks as independent of each other, which those of one child
    are not, so p is rather too small. "No trend shown" does not say that there is none.
    """

    test: str
    weeks: int
    silent_weeks: int
    tau: float
    p: float
    slope_per_week: float
    direction: Direction


def trend(weeks: Sequence[Week]) -> Trend | None:
    """The trend over whole weeks that have a score and any log; None for fewer than eight.

    Weeks that are left out still take their time: the slope is by the calendar.
    """
    whole = [(at, week) for at, week in enumerate(weeks) if week.is_whole]
    points = [
        (at, week.figure.score)
        for at, week in whole
        if week.figure.score is not None and not week.is_silent
    ]
    if len(points) < FEWEST_WEEKS:
        return None
    tau, p = _kendall([score for _, score in points])
    return Trend(
        test=TEST,
        weeks=len(points),
        silent_weeks=sum(week.is_silent for _, week in whole),
        tau=tau,
        p=p,
        slope_per_week=median(_slopes(points)),
        direction=_direction(tau, p),
    )


def _direction(tau: float, p: float) -> Direction:
    if p >= SURE:
        return "no trend shown"
    return "rising" if tau > 0 else "falling"


def _kendall(scores: Sequence[float]) -> tuple[float, float]:
    """Tau-b and p of values in order of time; 0 and 1 where all are the same."""
    count = len(scores)
    concordance = sum((b > a) - (b < a) for a, b in combinations(scores, 2))
    tied = [times for times in Counter(scores).values() if times > 1]
    pairs = count * (count - 1) // 2
    tied_pairs = sum(times * (times - 1) // 2 for times in tied)
    if tied_pairs == pairs:
        return 0.0, 1.0
    shuffles = count * (count - 1) * (2 * count + 5)
    spread = (shuffles - sum(t * (t - 1) * (2 * t + 5) for t in tied)) / 18
    p = erfc(abs(concordance) / sqrt(2 * spread))
    return concordance / sqrt(pairs * (pairs - tied_pairs)), p


def _slopes(points: Sequence[tuple[int, float]]) -> Iterator[float]:
    return ((later - sooner) / (b - a) for (a, sooner), (b, later) in combinations(points, 2))
