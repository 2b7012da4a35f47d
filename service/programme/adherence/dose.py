"""How much of a prescribed dose a session did."""

from decimal import Decimal
from fractions import Fraction

from service.programme.adherence.overlap import end_of
from service.programme.dose import Dose
from service.programme.log import Session

_SECONDS_IN_MINUTE = 60


def prescribed(dose: Dose | None) -> Fraction | None:
    """The number by which the dose is compared; None for a dose without a basis."""
    if dose is None or dose.basis == "none":
        return None
    if dose.basis == "minutes":
        return _minutes(dose)
    count = dose.cycles if dose.basis == "cycles" else dose.sets
    return None if count is None else Fraction(count)


def share(dose: Dose | None, session: Session | None) -> Fraction | None:
    """Done over prescribed, at most 1; 0 without a session; None for a dose without a basis.

    A session that gives no number counts as the whole dose when it was complete and as nothing
    when it was partial: how much a partial session did is unknown, and the figure is then too low
    rather than too high.
    """
    target = prescribed(dose)
    if dose is None or not target:
        return None
    if session is None:
        return Fraction(0)
    done = _done(dose, session)
    if done is None:
        return Fraction(session.outcome == "complete")
    return min(Fraction(1), done / target)


def _minutes(dose: Dose) -> Fraction | None:
    if dose.minutes is not None:
        return Fraction(dose.minutes)
    if dose.blocks is not None and dose.block_minutes is not None:
        return Fraction(dose.block_minutes) * dose.blocks
    drained = sum((position.minutes for position in dose.drainage), Decimal(0))
    return Fraction(drained) or None


def _done(dose: Dose, session: Session) -> Fraction | None:
    if dose.basis == "minutes":
        if session.minutes is not None:
            return Fraction(session.minutes)
        if session.end is None:
            return None
        elapsed = end_of(session) - session.start
        return Fraction(elapsed.total_seconds()) / _SECONDS_IN_MINUTE
    count = session.cycles if dose.basis == "cycles" else session.sets
    return None if count is None else Fraction(count)
