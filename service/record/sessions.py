"""Session logs into the record: rows in, answers out, each given once its row is kept.

Rows go in batches, one transaction each. A bad row is refused and fails nobody else. What comes
again is recognised by the sender's identifier, or by a digest of source, child, technique and
start: sending a file twice changes nothing.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import islice

from service.fhir.json import JsonObject, read
from service.fhir.outcome import Finding
from service.mapping.feeds import FeedRow
from service.programme.checks import Policy
from service.programme.device_clock import DeviceClock
from service.record.changes import Actor, Update, Written
from service.record.errors import Busy, RecordError
from service.record.homes import Homes
from service.record.log_entries import change_of, match_of_entry, sent_before
from service.record.log_rows import GoodRow, RowReader
from service.record.record import Record
from service.record.row_answers import RowAnswer, Status

BATCH = 100
"""Rows committed together, at most."""

_STATUS: dict[str, Status] = {"created": "accepted", "updated": "amended", "unchanged": "duplicate"}


class Upload:
    """One upload on its way into the record.

    ``received`` is when it came; ``device_clock`` what the sender's clock showed then, where the
    sender said so: if that is off by more than ten minutes, all times of the upload are corrected
    by the difference.
    """

    def __init__(
        self,
        record: Record,
        by: Actor,
        *,
        received: datetime,
        device_clock: datetime | None = None,
        policy: Policy | None = None,
    ) -> None:
        self._record = record
        self._by = by
        self._clock = DeviceClock(received, device_clock)
        self._reader = RowReader(Homes(record, by), self._clock, policy or Policy())

    def take(self, rows: Iterable[FeedRow]) -> Iterator[RowAnswer]:
        """An answer for each row, in order; each batch is committed before its answers come."""
        remaining = iter(rows)
        while batch := list(islice(remaining, BATCH)):
            yield from self.take_batch(batch)

    def take_batch(self, rows: Sequence[FeedRow]) -> list[RowAnswer]:
        """The answers to rows that are committed together, in their order."""
        outcomes = [self._reader.read(row) for row in rows]
        good = [row for row in outcomes if isinstance(row, GoodRow)]
        answers = iter(self._answers(good))
        return [next(answers) if isinstance(row, GoodRow) else row for row in outcomes]

    def _answers(self, rows: Sequence[GoodRow]) -> list[RowAnswer]:
        steps = self._steps(rows)
        results = iter(self._written([step for step in steps if isinstance(step, Update)]))
        return [
            _answer(row, next(results)) if isinstance(step, Update) else step
            for row, step in zip(rows, steps, strict=True)
        ]

    def _steps(self, rows: Sequence[GoodRow]) -> list[Update | RowAnswer]:
        """For each row what has to be written, or its answer where nothing has to be."""
        matches = [match_of_entry(row) for row in rows]
        found = self._record.matches(matches)
        versions = self._versions({id_ for ids in found.values() for id_ in ids})
        steps: list[Update | RowAnswer] = []
        for row, match in zip(rows, matches, strict=True):
            known = [version for id_ in found[match.name] for version in versions.get(id_, [])]
            repeated = sent_before(row, known)
            steps.append(
                _duplicate(row, repeated, known[-1]) if repeated else change_of(row, match)
            )
        return steps

    def _versions(self, ids: set[str]) -> dict[str, list[JsonObject]]:
        versions: dict[str, list[JsonObject]] = {}
        keys = [("Observation", id_) for id_ in sorted(ids)]
        for version in self._record.versions(self._by, keys) if keys else ():
            if not version.deleted:
                versions.setdefault(version.id, []).append(read(version.body))
        return versions

    def _written(self, changes: Sequence[Update]) -> Sequence[Written | RecordError]:
        if not changes:
            return []
        try:
            return self._record.write_each(changes, self._by, self._reason())
        except Busy as busy:
            return [busy] * len(changes)

    def _reason(self) -> str:
        offset = round(self._clock.offset.total_seconds())
        if not offset:
            return "Session logs received"
        return f"Session logs received; the device's clock was off, times moved by {offset} seconds"


def _duplicate(row: GoodRow, repeated: JsonObject, current: JsonObject) -> RowAnswer:
    notes = []
    if current["meta"]["versionId"] != repeated["meta"]["versionId"]:
        told = f"The record has a later version of this, {current.get('status')}; it stays so."
        notes.append(Finding("information", "informational", "Observation.status", told))
    return row.answer("duplicate", f"Observation/{current['id']}", notes)


def _answer(row: GoodRow, result: Written | RecordError) -> RowAnswer:
    if isinstance(result, RecordError):
        return row.answer("refused", None, result.findings)
    return row.answer(_STATUS[result.done], f"{result.type}/{result.id}")
