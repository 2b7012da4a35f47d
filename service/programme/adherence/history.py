"""Everything that is known about one child, in all its versions."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, Literal, TypeVar

from service.programme.log import HealthState, Pause, Session
from service.programme.plan import Programme

T = TypeVar("T")
LeftOutKind = Literal["plan", "session", "health-state", "pause"]


@dataclass(frozen=True, slots=True)
class Known(Generic[T]):
    """One stored version of one thing.

    ``id`` is the record's own (for a plan, that of the CarePlan version of the prescription, not
    the programme's). ``known_at`` is when the record learnt of it. ``excluded`` says why it must
    not count: entered in error, preliminary, not interpretable.
    """

    id: str
    version: int
    known_at: datetime
    value: T
    excluded: str | None = None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something of the child's that cannot be read as what it says it is, and why."""

    id: str
    version: int
    reason: str
    kind: LeftOutKind


@dataclass(frozen=True, slots=True)
class History:
    """All stored versions of a child's plans, sessions, states and pauses.

    ``left_out`` is what could not even be read, to be shown with the answer.
    """

    plans: Sequence[Known[Programme]] = ()
    sessions: Sequence[Known[Session]] = ()
    states: Sequence[Known[HealthState]] = ()
    pauses: Sequence[Known[Pause]] = ()
    left_out: Sequence[LeftOut] = ()


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
