"""Everything that is known about one child, in all its versions."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Generic, Literal, NamedTuple, Protocol, TypeVar

from service.programme.log import HealthState, Outcome, Pause, RecordedBy, Session
from service.programme.plan import Programme

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)
LeftOutKind = Literal["plan", "session", "health-state", "pause"]


class Logged(Protocol):
    """What adherence asks of a session: all of ``Session`` that it rests on, and no more."""

    @property
    def technique(self) -> str: ...
    @property
    def regimen(self) -> str | None: ...
    @property
    def start(self) -> datetime: ...
    @property
    def end(self) -> datetime | None: ...
    @property
    def recorded_by(self) -> RecordedBy: ...
    @property
    def outcome(self) -> Outcome: ...
    @property
    def minutes(self) -> Decimal | int | None: ...
    @property
    def cycles(self) -> int | None: ...
    @property
    def sets(self) -> int | None: ...
    @property
    def clock(self) -> str | None: ...


S_co = TypeVar("S_co", bound=Logged, covariant=True)


class Known(NamedTuple, Generic[T_co]):
    """One stored version of one thing.

    ``id`` is the record's own (for a plan, that of the CarePlan version of the prescription, not
    the programme's). ``known_at`` is when the record learnt of it. ``excluded`` says why it must
    not count: entered in error, preliminary, not interpretable.
    """

    id: str
    version: int
    known_at: datetime
    value: T_co
    excluded: str | None = None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something of the child's that cannot be read as what it says it is, and why."""

    id: str
    version: int
    reason: str
    kind: LeftOutKind


@dataclass(frozen=True, slots=True)
class HistoryOf(Generic[S_co]):
    """All stored versions of a child's plans, sessions, states and pauses.

    ``left_out`` is what could not even be read, to be shown with the answer.
    """

    plans: Sequence[Known[Programme]] = ()
    sessions: Sequence[Known[S_co]] = ()
    states: Sequence[Known[HealthState]] = ()
    pauses: Sequence[Known[Pause]] = ()
    left_out: Sequence[LeftOut] = ()


@dataclass(frozen=True, slots=True)
class History(HistoryOf[Session]):
    """The same with all that the sessions say."""


def as_known(things: Iterable[Known[T]], known_at: datetime) -> list[Known[T]]:
    """Of each thing the last version that was known at that time, in a stable order."""
    latest: dict[str, Known[T]] = {}
    for thing in things:
        if thing.known_at > known_at:
            continue
        held = latest.get(thing.id)
        if held is None or (thing.known_at, thing.version) >= (held.known_at, held.version):
            latest[thing.id] = thing
    return sorted(latest.values(), key=lambda thing: thing.id)
