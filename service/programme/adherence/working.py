"""What every answer rests on: what was due, what came from home, and how the one met the other."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import Generic

from service.programme.adherence.dose import prescribed, share_of
from service.programme.adherence.due import Due, due_around
from service.programme.adherence.figures import Reason
from service.programme.adherence.history import HistoryOf, Known, as_known
from service.programme.adherence.matching import NO_LOG, Ending, Matching, match
from service.programme.adherence.placing import Placed, S, placed
from service.programme.adherence.timeline import Timeline
from service.programme.calendar import Span
from service.programme.zones import ZoneLookup


@dataclass(frozen=True, slots=True)
class Worked(Generic[S]):
    """The days asked about and around them as far as the matching needs.

    ``received`` are the rows of those days, and those of a doubtful clock, which have no day; in
    the order of time, each with its ending. ``logged`` are days with any log.
    """

    timeline: Timeline
    asked: Span
    first: date
    last: date
    due: list[Due]
    matching: Matching[S]
    received: list[tuple[Placed[S], Ending]]
    logged: set[date]

    def due_rows(self) -> Iterator[tuple[Due, Known[S] | None, Fraction | None]]:
        """What was due or excused on the days asked: with its session and how much
        of the dose that was."""
        targets: dict[int, Fraction | None] = {}
        for index, one in enumerate(self.due):
            if self.first <= one.occurrence.day <= self.last:
                dose = one.regimen.dose
                if id(dose) not in targets:
                    targets[id(dose)] = prescribed(dose)
                credit = self.matching.session_of.get(index)
                session = None if credit is None else credit.value
                yield one, credit, share_of(dose, targets[id(dose)], session)

    def received_of(self, technique: str | None) -> list[tuple[Placed[S], Ending]]:
        """Rows of the technique: by what they fulfilled, or by what they say where that is
        nothing. All of them for None."""
        if technique is None:
            return self.received
        fulfilled = {
            session.id: self.due[index].regimen.technique
            for index, session in self.matching.session_of.items()
        }
        return [
            (row, ending)
            for row, ending in self.received
            if fulfilled.get(row.known.id, row.known.value.technique) == technique
        ]


def work_out(
    history: HistoryOf[S], first: date, last: date, known_at: datetime, zones: ZoneLookup
) -> Worked[S]:
    """Raises ``ValueError`` when ``last`` comes before ``first``."""
    if last < first:
        raise ValueError("the last day comes before the first")
    timeline = Timeline(history, known_at, zones)
    asked = timeline.calendar.span(first, last)
    due = due_around(timeline, asked)
    rows = placed(as_known(history.sessions, known_at), timeline.calendar)
    matching = match(due, rows, timeline)
    received = []
    for row in rows:
        ending = matching.ending_of[row.known.id]
        if first <= row.day <= last or ending == "doubtful":
            received.append((row, ending))
    logged = {row.day for row, ending in received if ending not in NO_LOG}
    return Worked(timeline, asked, first, last, due, matching, received, logged)


def why_no_rows(worked: Worked[S]) -> Reason:
    """What to say where nothing was due or excused at all."""
    planned = any(
        piece.plan is not None and piece.span.meets(worked.asked)
        for piece in worked.timeline.pieces
    )
    return "no-schedule" if planned else "no-plan"
