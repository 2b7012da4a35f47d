"""How much of a prescribed dose a session did."""

from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Final

from service.programme.adherence.history import Logged
from service.programme.adherence.placing import end_of
from service.programme.dose import Dose

_SECONDS_IN_MINUTE = 60
_NOTHING: Final = Fraction(0)
_ALL: Final = Fraction(1)

Number = int | Decimal | Fraction


def prescribed(dose: Dose | None) -> Fraction | None:
    """The number by which the dose is compared; None for a dose without a basis."""
    if dose is None or dose.basis == "none":
        return None
    if dose.basis == "minutes":
        return _minutes(dose)
    count = dose.cycles if dose.basis == "cycles" else dose.sets
    return None if count is None else Fraction(count)


def share(dose: Dose | None, session: Logged | None) -> Fraction | None:
    """Done over prescribed, at most 1; 0 without a session; None for a dose without a basis.

    A session that gives no number counts as the whole dose when it was complete and as nothing
    when it was partial: how much a partial session did is unknown, and the figure is then too low
    rather than too high.
    """
    return share_of(dose, prescribed(dose), session)


def share_of(dose: Dose | None, target: Fraction | None, session: Logged | None) -> Fraction | None:
    """The same where it is known by what the dose is compared."""
    if dose is None or not target:
        return None
    if session is None:
        return _NOTHING
    done = _done(dose, session)
    if done is None:
        return _ALL if session.outcome == "complete" else _NOTHING
    return _of_target(done, target.numerator, target.denominator)


@lru_cache(maxsize=4096)
def _of_target(done: Number, *target: int) -> Fraction:
    """The target as two whole numbers, which are found again sooner than a fraction."""
    return min(_ALL, Fraction(done) / Fraction(*target))


def _minutes(dose: Dose) -> Fraction | None:
    if dose.minutes is not None:
        return Fraction(dose.minutes)
    if dose.blocks is not None and dose.block_minutes is not None:
        return Fraction(dose.block_minutes) * dose.blocks
    drained = sum((position.minutes for position in dose.drainage), Decimal(0))
    return Fraction(drained) or None


def _done(dose: Dose, session: Logged) -> Number | None:
    if dose.basis == "minutes":
        if session.minutes is not None:
            return session.minutes
        if session.end is None:
            return None
        elapsed = end_of(session) - session.start
        return Fraction(elapsed.total_seconds()) / _SECONDS_IN_MINUTE
    return session.cycles if dose.basis == "cycles" else session.sets
