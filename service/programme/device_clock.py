"""Clocks that are wrong: what to believe of the times that a phone or device gives.

A doubtful clock flags a session; it never deletes it and never moves it silently.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from service.programme.log import Session

TOLERANCE = timedelta(minutes=10)
"""How far a clock may be off without being called wrong."""
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
"""No session lies before it: a clock that was never set counts from 1970 or 1980."""


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

    def settle(self, session: Session) -> Session:
        """``session`` with corrected times, or flagged where no correction makes them believable.

        A corrected session keeps what the device said in ``device_start``. One that already says
        what its clock was worth is left alone.
        """
        if session.clock is not None:
            return session
        try:
            moved = _moved(session, self.offset)
        except OverflowError:  # beyond the year 9999
            moved = session
        if self._is_believable(moved.start):
            return moved
        return session.model_copy(update={"clock": "suspect"})

    def _is_believable(self, start: datetime) -> bool:
        return EARLIEST <= start <= self.received + TOLERANCE


def as_sent(session: Session) -> Session:
    """``session`` with the times that the device gave, before any correction or flag."""
    if session.device_start is None:
        return session.model_copy(update={"clock": None})
    sent = _moved(session, session.device_start - session.start)
    return sent.model_copy(update={"clock": None, "device_start": None})


def _moved(session: Session, offset: timedelta) -> Session:
    if not offset:
        return session
    return session.model_copy(
        update={
            "start": session.start + offset,
            "end": session.end and session.end + offset,
            "recorded": session.recorded and session.recorded + offset,
            "clock": "corrected",
            "device_start": session.start,
        }
    )
