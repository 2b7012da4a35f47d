"""How far a goal that is counted is reached, week by week, from the same rows as adherence.

It reports and judges nothing else: whether a goal is achieved is for the clinician and the family
to say. A week without any log is not a week without sessions, and one that was partly excused
cannot be held to the whole target.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType
from typing import Final, Literal

from service.programme.adherence import Adherence, Received
from service.programme.adherence.matching import DONE
from service.programme.adherence.series import Week, weeks
from service.programme.plan import Goal

Standing = Literal["reached", "not-reached", "no-log", "paused", "not-whole"]
"""Of a week in which the target was not met: why that cannot be said to be "not reached"."""

_EXERCISE = "exercise"
_MINUTES: Final[Mapping[str, int]] = MappingProxyType({"min": 1, "min/wk": 1, "h": 60, "h/wk": 60})
"""Unit of a target -> minutes."""
_SECONDS_IN_MINUTE = 60


@dataclass(frozen=True, slots=True)
class GoalWeek:
    """What was done in a week, in the unit of the target, and how that stands to it.

    ``unmeasured`` sessions were done and do not say how long they took.
    """

    first: date
    last: date
    done: Fraction
    standing: Standing
    unmeasured: int


@dataclass(frozen=True, slots=True)
class Progress:
    """A goal's measure, its target, and the weeks since it was set."""

    measure: str
    target: Decimal
    unit: str
    weeks: tuple[GoalWeek, ...]

    @property
    def reached(self) -> int:
        """Weeks in which the target was met."""
        return sum(week.standing == "reached" for week in self.weeks)

    @property
    def judged(self) -> int:
        """Weeks of which it can be said whether it was."""
        return sum(week.standing in ("reached", "not-reached") for week in self.weeks)


def progress(goal: Goal, answer: Adherence) -> Progress | None:
    """The goal's progress in the weeks of an answer; None for a goal that is not counted here.

    Sessions that were done count whether or not they were due, each once; rows of a doubtful clock
    and rows that must not count never do.
    """
    target = goal.target
    count = None if target is None else _counter(target.measure, target.unit)
    if target is None or count is None:
        return None
    begin = max(goal.start or answer.first, answer.first)
    return Progress(
        measure=target.measure,
        target=target.detail,
        unit=target.unit,
        weeks=tuple(
            _week(week, begin, count, Fraction(target.detail), answer)
            for week in weeks(answer)
            if week.last >= begin
        ),
    )


_Counted = tuple[Fraction, int]
"""What was done, and how many sessions do not say."""


def _counter(measure: str, unit: str) -> Callable[[Sequence[Received]], _Counted] | None:
    if measure == "sessions-per-week":
        return lambda rows: (Fraction(len(rows)), 0)
    if measure == "exercise-minutes" and unit in _MINUTES:
        return lambda rows: _minutes(rows, _MINUTES[unit])
    return None


def _week(
    week: Week,
    begin: date,
    count: Callable[[Sequence[Received]], _Counted],
    target: Fraction,
    answer: Adherence,
) -> GoalWeek:
    first = max(week.first, begin)
    rows = [row for row in answer.received if first <= row.day <= week.last]
    done, unmeasured = count([row for row in rows if row.ending in DONE])
    standing: Standing = "not-reached"
    if done >= target:
        standing = "reached"
    elif not week.is_whole or first > week.first:
        standing = "not-whole"
    elif week.paused_days:
        standing = "paused"
    elif not any(row.is_log for row in rows):
        standing = "no-log"
    return GoalWeek(first, week.last, done, standing, unmeasured)


def _minutes(rows: Sequence[Received], unit: int) -> _Counted:
    lengths = [_length(row) for row in rows if row.session.value.technique == _EXERCISE]
    told = [length for length in lengths if length is not None]
    return sum(told, Fraction(0)) / unit, len(lengths) - len(told)


def _length(row: Received) -> Fraction | None:
    """Minutes as they are told, or from start to end."""
    session = row.session.value
    if session.minutes is not None:
        return Fraction(session.minutes)
    if session.end is None:
        return None
    return Fraction((session.end - session.start).total_seconds()) / _SECONDS_IN_MINUTE
