"""The answer: figures, what they sum, and what they rest on."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import NamedTuple

from service.programme.adherence.figures import (
    Figure,
    FigureName,
    LedgerRow,
    Reason,
    SplitBy,
    split,
)
from service.programme.adherence.history import Known, LeftOut
from service.programme.adherence.matching import NO_LOG, Ending
from service.programme.adherence.silence import SilentSpell
from service.programme.log import Session

RULE_VERSION = "2"
"""Edition of the rules in this package; raised whenever an answer could change."""

_PLACED: tuple[Ending, ...] = ("matched", "extra", "over", "duplicate", "not-done")


class Received(NamedTuple):
    """A row that came from home and what became of it. ``day`` is that of its stated start."""

    session: Known[Session]
    day: date
    ending: Ending
    during_pause: bool

    @property
    def is_log(self) -> bool:
        """Whether it tells of its day; a row with a doubtful clock or one excluded does not."""
        return self.ending not in NO_LOG


@dataclass(frozen=True, slots=True)
class PlanUsed:
    """A plan version that was in force from ``start`` up to ``end`` within what was asked.

    ``first`` and ``last`` are the child's days that hold its first and its last moment.
    """

    id: str
    version: int
    start: datetime
    end: datetime
    first: date
    last: date


@dataclass(frozen=True, slots=True)
class RowCounts:
    """How many rows came from home, and where they went.

    ``placed`` rows belong to a day (matched, extra, over, duplicate or not done), ``unplaced`` ones
    have a doubtful clock, ``excluded`` ones must not count or could not be read. The three add up
    to ``received``.
    """

    received: int
    placed: int
    unplaced: int
    excluded: int


def row_counts(endings: Counter[Ending], left_out: Sequence[LeftOut]) -> RowCounts:
    """Of rows that ended so, and of those that could not be read."""
    unreadable = sum(one.kind == "session" for one in left_out)
    return RowCounts(
        received=endings.total() + unreadable,
        placed=sum(endings[ending] for ending in _PLACED),
        unplaced=endings["doubtful"],
        excluded=endings["excluded"] + unreadable,
    )


@dataclass(frozen=True)
class Adherence:
    """One child's adherence from ``first`` to ``last``, days included, in the child's own zone.

    It is what was known at ``known_at``; ``computed_at`` is when it was worked out. Rows with a
    doubtful clock belong to no day, so every answer lists all of them. Of the days with anything
    due, ``observed_days`` have a log and ``unlogged_days`` have none. ``no_rows`` is why there is
    no score where nothing was due.
    """

    first: date
    last: date
    known_at: datetime
    computed_at: datetime
    figures: Mapping[FigureName, Figure]
    no_rows: Reason
    ledger: tuple[LedgerRow, ...]
    received: tuple[Received, ...]
    observed_days: int
    unlogged_days: int
    silent_spells: tuple[SilentSpell, ...]
    plans: tuple[PlanUsed, ...]
    left_out: tuple[LeftOut, ...]
    zone_data: str
    rule_version: str = RULE_VERSION
    technique: str | None = None

    @cached_property
    def splits(self) -> Mapping[SplitBy, Mapping[str, Mapping[FigureName, Figure]]]:
        """The figures by who recorded, by technique and by state of health."""
        return split(self.ledger, self.no_rows)

    @property
    def endings(self) -> Counter[Ending]:
        """How many rows ended how."""
        return Counter(row.ending for row in self.received)

    @property
    def row_counts(self) -> RowCounts:
        """Rows placed, unplaced and excluded.

        Rows without a day (those of a doubtful clock, those that could not be read) are among the
        rows of every answer, whatever days it is about.
        """
        return row_counts(self.endings, self.left_out)
