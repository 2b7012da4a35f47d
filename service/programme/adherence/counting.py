"""A child's figures and counts without what they sum: what a group's answer is made of.

The same rules over the same occurrences and sessions as ``adherence``; only no ledger is kept.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from service.programme.adherence.figures import CountedRow, Figure, FigureName, figures
from service.programme.adherence.history import HistoryOf
from service.programme.adherence.matching import Ending
from service.programme.adherence.placing import S
from service.programme.adherence.result import RowCounts, row_counts
from service.programme.adherence.working import Worked, why_no_rows, work_out
from service.programme.zones import ZoneLookup, zone


@dataclass(frozen=True, slots=True)
class Counted:
    """One child's part of a group's answer; see ``Adherence`` for each."""

    figures: Mapping[FigureName, Figure]
    observed_days: int
    unlogged_days: int
    row_counts: RowCounts
    endings: Counter[Ending]


def counted(
    history: HistoryOf[S],
    first: date,
    last: date,
    *,
    known_at: datetime,
    technique: str | None = None,
    zones: ZoneLookup = zone,
) -> Counted:
    """As ``adherence``, and equal to it in all that is told."""
    worked = work_out(history, first, last, known_at, zones)
    rows = _rows(worked)
    if technique is not None:
        rows = [row for row in rows if row.technique == technique]
    endings = Counter(ending for _, ending in worked.received_of(technique))
    due_days = {row.day for row in rows if not row.paused}
    return Counted(
        figures=figures(rows, why_no_rows(worked)),
        observed_days=len(due_days & worked.logged),
        unlogged_days=len(due_days - worked.logged),
        row_counts=row_counts(endings, history.left_out),
        endings=endings,
    )


def _rows(worked: Worked[S]) -> list[CountedRow]:
    return [
        CountedRow(
            one.occurrence.day,
            one.occurrence.by_day,
            one.regimen.technique,
            one.paused,
            credit is not None,
            share,
            one.occurrence.day in worked.logged,
        )
        for one, credit, share in worked.due_rows()
    ]
