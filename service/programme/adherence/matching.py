"""Which session fulfils which occurrence.

Within a window, sessions that name the regimen come first, then the earliest that is left of the
same technique. One session fulfils one occurrence, nothing is carried from window to window, and
a session that could stand in several windows takes the one that closes first.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from service.programme.adherence.due import Due, Line
from service.programme.adherence.history import Known
from service.programme.adherence.overlap import told_twice
from service.programme.adherence.timeline import Timeline
from service.programme.log import Session

Ending = Literal["matched", "extra", "over", "duplicate", "not-done", "doubtful", "excluded"]

Window = tuple[Line, datetime, datetime]


@dataclass(frozen=True, slots=True)
class Matching:
    """``session_of`` by position of the occurrence, ``ending_of`` by id of the session."""

    session_of: dict[int, Known[Session]]
    ending_of: dict[str, Ending]


def match(due: Sequence[Due], sessions: Sequence[Known[Session]], timeline: Timeline) -> Matching:
    """Every session with its ending, and every occurrence that was fulfilled with its session."""
    endings: dict[str, Ending] = {}
    done = [session for session in sessions if not _set_aside(session, endings)]
    repeated = told_twice(done)
    endings.update(dict.fromkeys(repeated, "duplicate"))
    left = [session for session in done if session.id not in repeated]
    left.sort(key=lambda session: (session.value.start, session.id))
    slots = _Slots(due, timeline)
    taken: dict[int, Known[Session]] = {}
    for by_name in (True, False):
        for session in left:
            slot = None if session.id in endings else _first_free(slots, session, taken, by_name)
            if slot is not None:
                taken[slot] = session
                endings[session.id] = "matched"
    unmatched = [session for session in left if session.id not in endings]
    endings.update(_extra_or_over(slots, taken, unmatched))
    return Matching(taken, endings)


def _set_aside(session: Known[Session], endings: dict[str, Ending]) -> bool:
    """Rows that cannot fulfil anything, whatever is due."""
    ending: Ending | None = None
    if session.excluded is not None:
        ending = "excluded"
    elif session.value.clock == "suspect":
        ending = "doubtful"
    elif session.value.outcome == "not-done":
        ending = "not-done"
    if ending is not None:
        endings[session.id] = ending
    return ending is not None


class _Slots:
    """The occurrences that are due, found by technique and time."""

    def __init__(self, due: Sequence[Due], timeline: Timeline) -> None:
        self.due = due
        self._timeline = timeline
        self._daily: defaultdict[tuple[str, date], list[int]] = defaultdict(list)
        self._longer: defaultdict[str, list[int]] = defaultdict(list)
        self._plans: defaultdict[Window, set[str]] = defaultdict(set)
        closing_first = sorted(
            (index for index, one in enumerate(due) if not one.paused),
            key=lambda index: (due[index].occurrence.end, due[index].occurrence.at, index),
        )
        for index in closing_first:
            one = due[index]
            self._plans[self.window(index)].add(one.plan.known.id)
            for technique in one.techniques:
                if one.occurrence.by_day:
                    self._daily[technique, one.occurrence.day].append(index)
                else:
                    self._longer[technique].append(index)

    def window(self, index: int) -> Window:
        """The window of an occurrence; plans that state the same one share it."""
        one = self.due[index]
        return one.line, one.occurrence.start, one.occurrence.end

    def for_session(self, session: Session) -> Iterator[int]:
        """Occurrences whose window holds the session: those of the day, then by closing."""
        yield from self._daily.get((session.technique, self._day(session)), ())
        longer = self._longer.get(session.technique)
        if not longer:
            return
        plan = self._timeline.plan_at(session.start)
        for index in longer:
            occurrence = self.due[index].occurrence
            if occurrence.start <= session.start < occurrence.end and (
                plan is not None and plan.known.id in self._plans[self.window(index)]
            ):
                yield index

    def _day(self, session: Session) -> date:
        return self._timeline.calendar.day_of(session.start)


def _first_free(
    slots: _Slots, session: Known[Session], taken: dict[int, Known[Session]], by_name: bool
) -> int | None:
    name = session.value.regimen
    if by_name and name is None:
        return None
    for index in slots.for_session(session.value):
        if index not in taken and (not by_name or name in slots.due[index].keys):
            return index
    return None


def _extra_or_over(
    slots: _Slots, taken: dict[int, Known[Session]], unmatched: Sequence[Known[Session]]
) -> Iterator[tuple[str, Ending]]:
    """Over is what goes beyond the upper end of a range; anything else unmatched is extra."""
    used: Counter[Window] = Counter(slots.window(index) for index in taken)
    for session in unmatched:
        ranged = {
            slots.window(index): most
            for index in slots.for_session(session.value)
            if (most := slots.due[index].occurrence.most) is not None
        }
        room = next((window for window, most in ranged.items() if used[window] < most), None)
        if room is not None:
            used[room] += 1
        yield session.id, "over" if ranged and room is None else "extra"
