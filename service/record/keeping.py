"""One unit of work for resources made ready elsewhere: versions compared, numbered, written.

As ``Unit``, for many resources that need no look-up and no revision.
"""

from collections.abc import Callable, Sequence
from datetime import datetime

from service.fhir.json import read
from service.record.bodies import moment_after, says_the_same, stamped
from service.record.changes import Actor, Done, Written
from service.record.drafts import Index
from service.record.prepared import Prepared
from service.record.provenance import provenance
from service.store.contract import Entry, Key, UnitOfWork, Version


class Keeping:
    """What is about to be committed. ``clock`` and ``new_id`` are as for ``Unit``."""

    def __init__(
        self,
        work: UnitOfWork,
        index: Index,
        clock: Callable[[], datetime],
        new_id: Callable[[], str],
    ) -> None:
        self._work = work
        self._index = index
        self._clock = clock
        self._new_id = new_id
        self._current: dict[Key, Version] = {}
        self._entries: list[Entry] = []
        self._written: list[Written] = []

    @property
    def written(self) -> Sequence[Written]:
        """The versions that were kept."""
        return self._written

    def keep(self, rows: Sequence[Prepared], by: Actor, reason: str | None) -> list[Done]:
        """Each row in its turn, so that of two with one id the later one is current."""
        self._current = self._work.lock({(row.type, row.id) for row in rows})
        instant = moment_after(self._clock(), self._current.values())
        done = [self._put(row, instant) for row in rows]
        if self._written:
            self._tell(by, reason, instant)
            self._work.write(self._entries)
        return done

    def _put(self, row: Prepared, instant: datetime) -> Done:
        before = self._current.get((row.type, row.id))
        if before is not None and _is_kept(row, before):
            return "unchanged"
        number = before.version + 1 if before else 1
        body = row.body.stamped(number, instant)
        version = Version(row.type, row.id, number, instant, False, body)
        done: Done = "created" if before is None or before.deleted else "updated"
        self._current[row.type, row.id] = version
        self._entries.append(Entry(version, row.index))
        self._written.append(Written.of(version, done))
        return done

    def _tell(self, by: Actor, reason: str | None, instant: datetime) -> None:
        record = provenance(self._written, by, reason, instant)
        id_ = self._new_id()
        body = stamped(record, id_, 1, instant)
        version = Version("Provenance", id_, 1, instant, False, body)
        self._entries.append(Entry(version, self._index(record)))


def _is_kept(row: Prepared, before: Version) -> bool:
    """Whether the record says so already; the same text, mostly."""
    if before.deleted:
        return False
    text = row.body.stamped(before.version, before.instant)
    return text == before.body or says_the_same(read(before.body), read(text))
