"""Many children: their mean score, each child one unit.

Adding up everybody's sessions would let children who have much to do outweigh the others, and an
interval over sessions would take what one child does on many days for independent events. So the
score of a group is the mean of its children's scores, and its interval says how sure that mean is
if other children like these had been asked (common practice for clustered data).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from service.programme.adherence.figures import FIGURES, Figure, FigureName
from service.programme.intervals import mean_with_interval

METHOD: Final = "mean of children's scores; Student's t over children, 95%, cut at 0 and 1"


@dataclass(frozen=True, slots=True)
class GroupFigure:
    """One figure of a group. ``children`` were asked about, ``scored`` of them have a score.

    ``numerator``, ``denominator`` and ``paused`` are sums over the children. ``score`` is the mean
    of the children's scores, not the quotient of those sums; ``low`` and ``high`` are its interval,
    for which two children are needed.
    """

    children: int
    scored: int
    numerator: Fraction
    denominator: int
    paused: int
    score: float | None
    low: float | None
    high: float | None
    reason: Literal["no-child-has-a-score"] | None = None


def group_figures(
    children: Sequence[Mapping[FigureName, Figure]],
) -> dict[FigureName, GroupFigure]:
    """The figures of a group, from those of its children in any order."""
    return {name: _group_figure([child[name] for child in children]) for name in FIGURES}


def _group_figure(figures: Sequence[Figure]) -> GroupFigure:
    scores = sorted(figure.score for figure in figures if figure.score is not None)
    score, low, high = mean_with_interval(scores) if scores else (None, None, None)
    return GroupFigure(
        children=len(figures),
        scored=len(scores),
        numerator=sum((figure.numerator for figure in figures), Fraction(0)),
        denominator=sum(figure.denominator for figure in figures),
        paused=sum(figure.paused for figure in figures),
        score=score,
        low=None if low is None else max(0.0, low),
        high=None if high is None else min(1.0, high),
        reason=None if scores else "no-child-has-a-score",
    )
