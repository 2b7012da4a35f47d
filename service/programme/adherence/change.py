"""The figure of sessions before and after each change of plan.

It sets two times beside each other and no more: what was asked changed as well, and so may have
much else.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Final

from service.programme.adherence.figures import Figure, sessions_figure
from service.programme.adherence.result import Adherence, PlanUsed
from service.programme.intervals import newcombe

LONGEST_SIDE: Final = 28
"""Days that are compared on either side of a change, at the most: four weeks, ours."""
METHOD: Final = "Newcombe's hybrid score interval, 95%"

_A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Side:
    """The days from ``first`` to ``last`` under one plan, and their figure of sessions."""

    plan: PlanUsed
    first: date
    last: date
    figure: Figure


@dataclass(frozen=True, slots=True)
class Change:
    """The last days of one plan beside the first days of the next.

    ``difference`` is the score after less the score before, ``low`` and ``high`` its 95% interval;
    None where either side has no score. The sessions of one child are not independent, so the
    interval is rather too narrow.
    """

    before: Side
    after: Side
    difference: float | None
    low: float | None
    high: float | None


def changes(result: Adherence) -> tuple[Change, ...]:
    """One for each change from plan to plan within what was asked, in order of time.

    Each side has up to four weeks, and never reaches across another change. A day in the middle of
    which the plan changed is on both sides, with what was due under each plan.
    """
    return tuple(_change(result, before, after) for before, after in pairwise(result.plans))


def _change(result: Adherence, before: PlanUsed, after: PlanUsed) -> Change:
    span = (LONGEST_SIDE - 1) * _A_DAY
    sides = (
        _side(result, before, max(before.first, before.last - span), before.last),
        _side(result, after, after.first, min(after.last, after.first + span)),
    )
    return Change(*sides, *_difference([side.figure for side in sides]))


def _side(result: Adherence, plan: PlanUsed, first: date, last: date) -> Side:
    rows = [row for row in result.ledger if row.plan_id == plan.id and first <= row.day <= last]
    return Side(plan, first, last, sessions_figure(rows, "no-schedule"))


def _difference(figures: Sequence[Figure]) -> tuple[float | None, float | None, float | None]:
    before, after = figures
    if before.score is None or after.score is None:
        return None, None, None
    low, high = newcombe(
        (int(after.numerator), after.denominator), (int(before.numerator), before.denominator)
    )
    return after.score - before.score, low, high
