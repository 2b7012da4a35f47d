"""Which session fulfils which occurrence.

Within a window, sessions that name the regimen come first, then the earliest that is left of the
same technique. One session fulfils one occurrence, nothing is carried from window to window, and
a session that could stand in several windows takes the one that closes first.
"""

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Generic, Literal

from service.programme.adherence.due import Due, Line
from service.programme.adherence.history import Known, Logged
from service.programme.adherence.overlap import told_twice
from service.programme.adherence.placing import Placed, S
from service.programme.adherence.timeline import Timeline
from service.programme.expansion import Occurrence

Ending = Literal["matched", "extra", "over", "duplicate", "not-done", "doubtful", "excluded"]
DONE: frozenset[Ending] = frozenset({"matched", "extra", "over"})
"""Sessions that were done, each once, whether or not they were due."""
NO_LOG: frozenset[Ending] = frozenset({"doubtful", "excluded"})
"""Rows that end so tell nothing of their day."""

_A_DECADE = timedelta(days=3653)

Window = tuple[Line, datetime, datetime]


@dataclass(frozen=True, slots=True)
class Matching(Generic[S]):
    """``session_of`` by position of the occurrence, ``ending_of`` by id of the session."""

    session_of: dict[int, Known[S]]
    ending_of: dict[str, Ending]


def match(due: Sequence[Due], sessions: Sequence[Placed[S]], timeline: Timeline) -> Matching[S]:
    """Every session with its ending, and every occurrence that was fulfilled with its session.

    ``sessions`` come in the order of their starts.
    """
    endings: dict[str, Ending] = {}
    done = []
    for session in sessions:
        ending = _set_aside(session.known)
        if ending is None:
            done.append(session)
        else:
            endings[session.known.id] = ending
    repeated = told_twice(session.known for session in done)
    endings.update(dict.fromkeys(repeated, "duplicate"))
    left = [session for session in done if session.known.id not in repeated]
    slots = _Slots(due, timeline)
    taken: dict[int, Known[S]] = {}
    unmatched = _filled(slots, left, taken)
    endings.update((known.id, "matched") for known in taken.values())
    endings.update(_extra_or_over(slots, taken, unmatched))
    return Matching(taken, endings)


def _set_aside(session: Known[Logged]) -> Ending | None:
    """How a row ends that cannot fulfil anything, whatever is due."""
    if session.excluded is not None:
        return "excluded"
    if session.value.clock == "suspect":
        return "doubtful"
    return "not-done" if session.value.outcome == "not-done" else None


def _filled(
    slots: "_Slots", left: Sequence[Placed[S]], taken: dict[int, Known[S]]
) -> list[Placed[S]]:
    """Those that found no place; ``taken`` gets the others, those that name a regimen first."""
    unnamed = []
    for session in left:
        name = session.known.value.regimen
        index = None if name is None else slots.first_free(session, taken, name)
        if index is None:
            unnamed.append(session)
        else:
            taken[index] = session.known
    unmatched = []
    for session in unnamed:
        index = slots.first_free(session, taken)
        if index is None:
            unmatched.append(session)
        else:
            taken[index] = session.known
    return unmatched


class _Slots:
    """The occurrences that are due, found by technique and time."""

    def __init__(self, due: Sequence[Due], timeline: Timeline) -> None:
        self.due = due
        self._timeline = timeline
        self._daily: defaultdict[tuple[str, date], list[int]] = defaultdict(list)
        self._longer: defaultdict[str, _Longer] = defaultdict(_Longer)
        self._plans: defaultdict[Window, set[str]] = defaultdict(set)
        closing_first = sorted(
            (one.occurrence.end, one.occurrence.at, index)
            for index, one in enumerate(due)
            if not one.paused
        )
        for _, _, index in closing_first:
            one = due[index]
            self._plans[self.window(index)].add(one.plan.known.id)
            for technique in one.techniques:
                if one.occurrence.by_day:
                    self._daily[technique, one.occurrence.day].append(index)
                else:
                    self._longer[technique].add(index, one.occurrence)

    def window(self, index: int) -> Window:
        """The window of an occurrence; plans that state the same one share it."""
        one = self.due[index]
        return one.line, one.occurrence.start, one.occurrence.end

    def first_free(
        self, session: Placed[S], taken: dict[int, Known[S]], name: str | None = None
    ) -> int | None:
        """The first occurrence that a session can still fulfil, of those with the name if any."""
        for index in self.for_session(session):
            if index not in taken and (name is None or name in self.due[index].keys):
                return index
        return None

    def for_session(self, session: Placed[S]) -> Sequence[int]:
        """Occurrences whose window holds the session: those of the day, then by closing."""
        technique = session.known.value.technique
        daily = self._daily.get((technique, session.day), ())
        if technique not in self._longer:
            return daily
        return [*daily, *self._in_longer(technique, session.start)]

    def _in_longer(self, technique: str, start: datetime) -> Iterator[int]:
        plan = self._timeline.plan_at(start)
        if plan is None:
            return
        for index in self._longer[technique].near(start):
            if self.due[index].occurrence.start <= start and (
                plan.known.id in self._plans[self.window(index)]
            ):
                yield index


class _Longer:
    """Occurrences with windows longer than a day, in the order of closing."""

    def __init__(self) -> None:
        self._indexes: list[int] = []
        self._ends: list[datetime] = []
        self._longest = timedelta(0)

    def add(self, index: int, occurrence: Occurrence) -> None:
        """One more, that closes last of all so far."""
        self._indexes.append(index)
        self._ends.append(occurrence.end)
        self._longest = max(self._longest, occurrence.end - occurrence.start)

    def near(self, start: datetime) -> list[int]:
        """Those that close after an instant, and soon enough to have opened before it."""
        first = bisect_right(self._ends, start)
        if self._longest > _A_DECADE:  # no end at all, perhaps
            return self._indexes[first:]
        return self._indexes[first : bisect_right(self._ends, start + self._longest)]


def _extra_or_over(
    slots: _Slots, taken: dict[int, Known[S]], unmatched: Sequence[Placed[S]]
) -> Iterator[tuple[str, Ending]]:
    """Over is what goes beyond the upper end of a range; anything else unmatched is extra."""
    used: Counter[Window] = Counter()
    if unmatched and any(one.occurrence.most is not None for one in slots.due):
        used.update(slots.window(index) for index in taken)
    for session in unmatched:
        ranged = {
            slots.window(index): most
            for index in slots.for_session(session)
            if (most := slots.due[index].occurrence.most) is not None
        }
        room = next((window for window, most in ranged.items() if used[window] < most), None)
        if room is not None:
            used[room] += 1
        yield session.known.id, "over" if ranged and room is None else "extra"
