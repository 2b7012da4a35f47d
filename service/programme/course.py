"""What sessions tell beside that they were done: sputum, tolerance, signs; week by week.

A session that does not say something says nothing about it: what is missing is neither zero nor
normal. Nothing here judges.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from statistics import median
from typing import Literal, get_args

from service.programme.adherence import Adherence, LedgerRow
from service.programme.adherence.matching import DONE
from service.programme.adherence.series import Week
from service.programme.adherence.silence import days_between
from service.programme.dose import DoseBasis
from service.programme.log import Blood, Session, Sputum

AMOUNTS = ("none-seen", "teaspoon", "tablespoon", "egg-cup", "more")
"""From least to most, as the log has them."""

SignKind = Literal["blood", "chest-pain", "faint", "stopped-early"]
SIGN_KINDS: tuple[SignKind, ...] = get_args(SignKind)

_NOT_TOLD = ("excluded", "duplicate")


@dataclass(frozen=True, slots=True)
class Spread:
    """Least, middle and greatest of ``n`` values."""

    n: int
    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class CourseWeek:
    """What the ``sessions`` of a week that were done tell.

    ``volume`` in mL, ``amount`` by place in ``AMOUNTS``, ``share`` of the prescribed dose (0 to 1)
    in sessions that give a number, ``breathlessness`` 0 to 10, ``oxygen`` in %.
    """

    first: date
    last: date
    sessions: int
    volume: Spread | None
    amount: Spread | None
    colours: Mapping[str, int]
    share: Spread | None
    breathlessness: Spread | None
    oxygen: Spread | None


@dataclass(frozen=True, slots=True)
class Sign:
    """A sign that a session names, on its day; ``doubtful`` where the clock of it is."""

    day: date
    kind: SignKind
    session: Session
    doubtful: bool


def course(result: Adherence, weeks: Sequence[Week]) -> tuple[CourseWeek, ...]:
    """One for each of the weeks of the answer."""
    first_of = {day: week.first for week in weeks for day in days_between(week.first, week.last)}
    rows: defaultdict[date, list[Session]] = defaultdict(list)
    for row in result.received:
        if row.ending in DONE and row.day in first_of:  # one of a doubtful clock may lie outside
            rows[first_of[row.day]].append(row.session.value)
    shares: defaultdict[date, list[Fraction]] = defaultdict(list)
    for due in result.ledger:
        if (share := _told_share(due)) is not None:
            shares[first_of[due.day]].append(share)
    return tuple(_course_week(week, rows[week.first], shares[week.first]) for week in weeks)


def signs(result: Adherence) -> tuple[Sign, ...]:
    """Signs that rows name, in order of time; also rows of a doubtful clock and not-done ones."""
    return tuple(
        Sign(row.day, kind, row.session.value, row.ending == "doubtful")
        for row in result.received
        if row.ending not in _NOT_TOLD
        for kind in SIGN_KINDS
        if _IS_SIGN[kind](row.session.value)
    )


def _is_blood(session: Session) -> bool:
    blood: Blood | None = session.blood
    return blood is not None and (blood.seen != "none" or bool(blood.volume))


_IS_SIGN: Mapping[SignKind, Callable[[Session], bool]] = {
    "blood": _is_blood,
    "chest-pain": lambda session: session.chest_pain is True,
    "faint": lambda session: session.faint is True,
    "stopped-early": lambda session: session.stopped_early is not None,
}


def _course_week(week: Week, sessions: Sequence[Session], shares: Iterable[Fraction]) -> CourseWeek:
    sputum: list[Sputum] = [one.sputum for one in sessions if one.sputum is not None]
    return CourseWeek(
        first=week.first,
        last=week.last,
        sessions=len(sessions),
        volume=_spread(one.volume for one in sputum),
        amount=_spread(AMOUNTS.index(one.amount) for one in sputum if one.amount is not None),
        colours=Counter(one.colour for one in sputum if one.colour is not None),
        share=_spread(shares),
        breathlessness=_spread(one.breathlessness for one in sessions),
        oxygen=_spread(one.spo2 for one in sessions),
    )


def _spread(values: Iterable[Decimal | Fraction | int | None]) -> Spread | None:
    told = [float(value) for value in values if value is not None]
    if not told:
        return None
    return Spread(len(told), min(told), float(median(told)), max(told))


def _told_share(row: LedgerRow) -> Fraction | None:
    """How much of the prescribed dose was done, where the session says so in numbers."""
    if row.paused or row.credit is None or row.share is None:
        return None
    return row.share if _tells(row.credit.value, row.basis) else None


def _tells(session: Session, basis: DoseBasis) -> bool:
    match basis:
        case "cycles":
            return session.cycles is not None
        case "sets":
            return session.sets is not None
        case "minutes":
            return session.minutes is not None or session.end is not None
        case "none":
            return False
