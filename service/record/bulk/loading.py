"""A load: rows are made ready on all cores, and kept batch by batch in the order they came.

The record itself says what is done already: a row whose resource it has unchanged is passed over,
so that a load that was cut off, however it was, is finished by starting it again.
"""

from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field

from service.cores import Start, spread
from service.fhir.outcome import Finding
from service.programme.checks import Policy
from service.record.bulk.making import Made, Maker
from service.record.bulk.rows import RefusedRow, SentRow, batches
from service.record.changes import Actor, Done
from service.record.plans_sent import judged
from service.record.prepared import Prepared
from service.record.record import Record
from service.store.contract import Reader

Findings = tuple[Finding, ...]

Build = Callable[[], Maker]
"""Makes a process ready; a function of a module, so that processes can be handed it."""


@dataclass(frozen=True, slots=True)
class Progress:
    """One batch that was committed: every row up to number ``up_to`` is kept or refused by now.

    ``done`` counts what was done with the rows of the batch that are kept; ``size`` is the length
    of its rows in bytes.
    """

    up_to: int
    size: int
    done: Counter[Done] = field(default_factory=Counter)
    refused: tuple[RefusedRow, ...] = ()

    @property
    def rows(self) -> int:
        """How many rows the batch had."""
        return self.done.total() + len(self.refused)


class Loading:
    """Loads rows into a record, each under its id, whatever the record had there.

    ``policy``: the cautions that a plan among the rows must not leave open. ``here``, ``workers``
    and ``start`` are as for ``spread``.
    """

    def __init__(
        self,
        record: Record,
        by: Actor,
        build: Build,
        *,
        policy: Policy | None = None,
        reason: str | None = None,
        here: Maker | None = None,
        workers: int | None = None,
        start: Start = "fork",
    ) -> None:
        self._record = record
        self._by = by
        self._build = build
        self._policy = policy or Policy()
        self._reason = reason
        self._here = here
        self._workers = workers
        self._start: Start = start

    def take(self, rows: Iterable[SentRow]) -> Iterator[Progress]:
        """What became of each batch, once it is committed. Raises Busy; run it again, then."""
        under_way: deque[list[SentRow]] = deque()

        def remembered() -> Iterator[list[SentRow]]:
            for batch in batches(rows):
                under_way.append(batch)
                yield batch

        made = spread(
            remembered(),
            self._build,
            here=self._here,
            workers=self._workers,
            start=self._start,
        )
        with closing(made):
            for results in made:
                yield self._kept(under_way.popleft(), results)

    def _kept(self, batch: Sequence[SentRow], results: Sequence[Made]) -> Progress:
        ready = [one for one in results if isinstance(one, Prepared)]
        kept = iter(self._written(ready))
        done: Counter[Done] = Counter()
        refused = []
        for row, made in zip(batch, results, strict=True):
            end = next(kept) if isinstance(made, Prepared) else made
            if isinstance(end, tuple):
                refused.append(RefusedRow(row, end))
            else:
                done[end] += 1
        size = sum(len(row.text or b"") + 1 for row in batch)
        return Progress(batch[-1].number, size, done, tuple(refused))

    def _written(self, rows: Sequence[Prepared]) -> list[Done | Findings]:
        """The rows of a plan that nobody may follow are left out, and the others go again."""
        refused: dict[str, Findings] = {}
        while True:
            good = [row for row in rows if refused.keys().isdisjoint(row.programmes)]
            try:
                judge = self._judge(good)
                kept = iter(self._record.keep(good, self._by, self._reason, before_commit=judge))
            except _PlansRefusedError as error:
                refused |= error.findings
                continue
            return [_why(row, refused) or next(kept) for row in rows]

    def _judge(self, rows: Sequence[Prepared]) -> Callable[[Reader], None] | None:
        programmes = {programme: row.type for row in rows for programme in row.programmes}

        def check(reader: Reader) -> None:
            found = {
                programme: findings
                for programme, place in programmes.items()
                if (findings := tuple(judged(reader, programme, self._policy, place)))
            }
            if found:
                raise _PlansRefusedError(found)

        return check if programmes else None


class _PlansRefusedError(Exception):
    """Nothing was written, because of what stands in ``findings`` by programme."""

    def __init__(self, findings: dict[str, Findings]) -> None:
        super().__init__()
        self.findings = findings


def _why(row: Prepared, refused: Mapping[str, Findings]) -> Findings:
    return tuple(finding for programme in row.programmes for finding in refused.get(programme, ()))
