"""One child's logs as the safety rules read them.

Which sessions count: every one that was done in part or in whole, or not done, and that is final,
amended, corrected or preliminary. One that was entered in error, or that is not understood, never
counts. A session with a doubtful clock counts with what it says; as nobody knows when it was, it
stands at the time at which the record learnt of it, and takes no part in what is usual for the
child or in what followed what.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property

from service.programme.adherence.history import History, Known, as_known
from service.programme.adherence.timeline import Plan, Timeline
from service.programme.log import Session
from service.programme.plan import Regimen
from service.programme.safety.findings import Evidence, SafetyFinding
from service.programme.safety.policy import SafetyPolicy
from service.programme.safety.signs import Signs
from service.programme.zones import ZoneLookup

_COUNTED = (None, "preliminary")


@dataclass(frozen=True, slots=True)
class Log:
    """A session with the time at which it stands. ``certain`` is false for a doubtful clock."""

    known: Known[Session]
    at: datetime
    signs: Signs

    @property
    def session(self) -> Session:
        """The document."""
        return self.known.value

    @property
    def certain(self) -> bool:
        """Whether its clock is believed."""
        return self.session.clock != "suspect"

    def tells(self, found: str) -> Evidence:
        """This session as evidence of something."""
        return Evidence("session", self.known.id, self.known.version, self.at, found)


class Case:
    """What was known of a child at one time, and what the clinic decided."""

    def __init__(
        self, history: History, policy: SafetyPolicy, now: datetime, zones: ZoneLookup
    ) -> None:
        self.history = history
        self.policy = policy
        self.now = now
        self.zones = zones
        counted = (one for one in as_known(history.sessions, now) if counts(one))
        logs = (Log(one, _time_of(one), Signs.of(one.value)) for one in counted)
        self.logs = sorted(logs, key=lambda log: (log.at, log.known.id))
        self._recent = now - timedelta(days=policy.recent_days)

    @cached_property
    def timeline(self) -> Timeline:
        """Plans, states and pauses; most logs need none of it."""
        return Timeline(self.history, self.now, self.zones)

    @property
    def today(self) -> date:
        """The child's day."""
        return self.timeline.calendar.day_of(self.now)

    def day_of(self, log: Log) -> date:
        """The child's day of a log."""
        return self.timeline.calendar.day_of(log.at)

    def is_recent(self, log: Log) -> bool:
        """Whether it happened, or became known, lately enough to be held up."""
        return max(log.at, log.known.known_at) >= self._recent

    def regimen_of(self, session: Session) -> tuple[Plan, Regimen] | None:
        """The regimen that a session follows: the one that it names, else the only one of its
        technique for the state of health at its time, in the plan that was in force."""
        plan = self.timeline.plan_at(session.start)
        if plan is None:
            return None
        regimens = plan.programme.regimen
        if session.regimen is not None:
            meant = [one for one in regimens if one.key == session.regimen]
        else:
            state = "unwell" if self.timeline.is_unwell(session.start) else "well"
            meant = [
                one
                for one in regimens
                if one.technique == session.technique and one.health_state in (state, "any")
            ]
        return (plan, meant[0]) if len(meant) == 1 else None

    def finding(
        self,
        rule: str,
        evidence: Iterable[Evidence],
        about: str = "",
        found: str | None = None,
        **agreed: int,
    ) -> tuple[SafetyFinding, ...]:
        """A finding by that evidence, in the words of the latest of it unless others are given;
        none without evidence. ``agreed``: thresholds that the plan sets."""
        ordered = tuple(sorted(set(evidence), key=lambda one: (one.at, one.kind, one.id)))
        if not ordered:
            return ()
        told = found or ordered[-1].found
        expected = self.policy.expected(rule, **agreed)
        return (SafetyFinding(rule, about, told, expected, ordered, ordered[0].at),)


def counts(session: Known[Session]) -> bool:
    """Whether a session is heard at all."""
    return session.excluded in _COUNTED


def _time_of(session: Known[Session]) -> datetime:
    is_doubtful = session.value.clock == "suspect"
    return session.known_at if is_doubtful else session.value.start
