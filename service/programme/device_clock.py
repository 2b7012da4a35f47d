"""Clocks that are wrong: from what a phone or device says of the time to when it was.

A session from such a clock is kept and marked; where its time was moved, it says so. Whether a time
can be believed at all is judged in ``checks``.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.programme.log import Session

TOLERANCE = timedelta(minutes=10)
"""How far a clock may be off without being called wrong."""


@dataclass(frozen=True, slots=True)
class DeviceClock:
    """One upload's clock: when the upload was received, and what the device's clock said then.

    ``shows`` is None where the sender did not say.
    """

    received: datetime
    shows: datetime | None = None

    @property
    def offset(self) -> timedelta:
        """What to add to the device's times; zero while the clock is within tolerance."""
        if self.shows is None or abs(self.received - self.shows) <= TOLERANCE:
            return timedelta(0)
        return timedelta(seconds=round((self.received - self.shows).total_seconds()))

    def corrected(self, session: Session) -> Session:
        """``session`` at the time when it was; what the device said is kept in ``device_start``.

        One whose clock was judged before, or that no date can hold then, stays as it is.
        """
        if session.clock is not None or not self.offset:
            return session
        try:
            moved = _moved(session, self.offset)
        except OverflowError:
            return session
        return moved.model_copy(update={"clock": "corrected", "device_start": session.start})


def as_sent(session: Session) -> Session:
    """``session`` with the times that the device gave, before any correction or flag."""
    if session.device_start is not None:
        session = _moved(session, session.device_start - session.start)
    return session.model_copy(update={"clock": None, "device_start": None})


def _moved(session: Session, offset: timedelta) -> Session:
    return session.model_copy(
        update={
            "start": session.start + offset,
            "end": session.end and session.end + offset,
            "recorded": session.recorded and session.recorded + offset,
        }
    )
