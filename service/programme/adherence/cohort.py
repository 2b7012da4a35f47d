"""Many children: their mean score, each child one unit.

Adding up everybody's sessions would let children who have much to do outweigh the others, and an
interval over sessions would take what one child does on many days for independent events. So the
score of a group is the mean of its children's scores, and its interval says how sure that mean is
if other children like these had been asked (common practice for clustered data).
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import Final, Literal, Protocol

from service.programme.adherence.figures import FIGURES, Figure, FigureName
from service.programme.adherence.matching import Ending
from service.programme.adherence.result import RULE_VERSION, RowCounts
from service.programme.intervals import mean_with_interval
from service.programme.zones import ZONE_DATA_VERSION

METHOD: Final = "mean of children's scores; Student's t over children, 95%, cut at 0 and 1"


class ChildAnswer(Protocol):
    """What a group's answer takes of a child's: ``Adherence``, or ``Counted``."""

    @property
    def figures(self) -> Mapping[FigureName, Figure]: ...
    @property
    def observed_days(self) -> int: ...
    @property
    def unlogged_days(self) -> int: ...
    @property
    def row_counts(self) -> RowCounts: ...
    @property
    def endings(self) -> Counter[Ending]: ...


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


@dataclass(frozen=True, slots=True)
class GroupAdherence:
    """Many children's adherence from ``first`` to ``last``, each in the child's own days.

    ``observed_days`` and ``unlogged_days`` are days of children; rows and endings are sums.
    """

    first: date
    last: date
    known_at: datetime
    computed_at: datetime
    technique: str | None
    figures: Mapping[FigureName, GroupFigure]
    observed_days: int
    unlogged_days: int
    row_counts: RowCounts
    endings: Counter[Ending]
    zone_data: str = ZONE_DATA_VERSION
    rule_version: str = RULE_VERSION


def group_adherence(
    children: Iterable[ChildAnswer],
    first: date,
    last: date,
    *,
    known_at: datetime,
    now: datetime,
    technique: str | None = None,
) -> GroupAdherence:
    """The group's answer, from those of its children to the same question.

    They are taken one after the other, and only their figures and counts are kept.
    """
    figures: list[Mapping[FigureName, Figure]] = []
    rows: list[RowCounts] = []
    endings: Counter[Ending] = Counter()
    observed = unlogged = 0
    for child in children:
        figures.append(child.figures)
        rows.append(child.row_counts)
        endings += child.endings
        observed += child.observed_days
        unlogged += child.unlogged_days
    return GroupAdherence(
        first=first,
        last=last,
        known_at=known_at,
        computed_at=now,
        technique=technique,
        figures=group_figures(figures),
        observed_days=observed,
        unlogged_days=unlogged,
        row_counts=_sum(rows),
        endings=endings,
    )


def _sum(rows: Sequence[RowCounts]) -> RowCounts:
    return RowCounts(
        received=sum(one.received for one in rows),
        placed=sum(one.placed for one in rows),
        unplaced=sum(one.unplaced for one in rows),
        excluded=sum(one.excluded for one in rows),
    )


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
