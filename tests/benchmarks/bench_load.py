# ruff: noqa: T201
"""A load of session Observations with everything that belongs to it, beside a bare insert.

By hand, from the project's folder (rows of a turn are 10,000):

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_load.py [--rows 10000]

In each turn new rows are loaded (read, checked in full against R4 and profiles, indexed, versions
compared, Provenance, outbox), then loaded again (all unchanged), then the very lines of every table
that the load left are inserted into another store by a plain loop of the same driver, batch by
batch as they were committed, prepared beforehand: only inserting is timed. Figures are medians of
the turns. The machine's cores are shared by everything that runs, a database server too.
"""

import time
from collections import Counter
from collections.abc import Sequence
from itertools import islice

import scratch
from documents import many_sessions
from engines import ENGINES
from options import options
from plain_driver import DRIVERS, Lines, Postgres, last_key, lines_between, make_tables
from processes import database_of, this_process
from turns import Turns, verdict

from service.compose import build_maker, build_record
from service.fhir.json import write
from service.record import Actor
from service.record.bulk import Loading, rows_of
from service.record.bulk.rows import BATCH_ROWS

ROWS = 10_000
REQUIRED = 0.6
BY = Actor("A benchmark")


def main() -> None:
    told = options(rows=ROWS)
    for engine in told.engines:
        loads(engine, max(1, told.rows // BATCH_ROWS) * BATCH_ROWS, told.turns)


def loads(engine: str, rows: int, rounds: int) -> None:
    sent = many_sessions(rows * (rounds + 1))
    portions = [[write(one) + b"\n" for one in islice(sent, rows)] for _ in range(rounds + 1)]
    folders = [scratch.folder() for _ in range(3)]
    maker, store = build_maker(), ENGINES[engine](folders[0])
    record, source = build_record(store, maker.validator), DRIVERS[engine](folders[0])
    targets = {"bare inserts": DRIVERS[engine](folders[1])}
    if engine == "postgresql":
        targets["bare COPY"] = Postgres(folders[2], copy=True)
    for target in targets.values():
        make_tables(target)

    def load(turn: int, end: str) -> float:
        began, ends = time.perf_counter(), Counter()
        for told in Loading(record, BY, build_maker, here=maker).take(rows_of(portions[turn])):
            ends.update(told.done)
            ends["refused"] += len(told.refused)
        taken = time.perf_counter() - began
        assert ends == {end: rows, "refused": 0}, ends
        return rows / taken

    contenders = {
        "load": lambda turn: load(turn, "created"),
        "load again": lambda turn: load(turn, "unchanged"),
    }
    for name, target in targets.items():
        contenders[name] = lambda turn, target=target: (
            rows / inserting(target, batches_of(source, turn, rows))
        )
    processes = {"load": this_process()}
    if engine == "postgresql":
        processes["database"] = database_of(source.address)
    turns = Turns(contenders, processes, turns=rounds)
    assert all(last_key(source) == last_key(target) for target in targets.values())
    lines = sum(map(len, lines_between(source, 1, BATCH_ROWS + 1).values())) / BATCH_ROWS
    size = sum(map(len, portions[0])) / rows
    store.close()
    print(f"{engine}: session Observations ({size:.0f} bytes, {lines:.0f} lines in tables)")
    for name in contenders:
        turns.tell(name)
    for name in targets:
        verdict(f"ratio to {name}", turns.rate["load"] / turns.rate[name], least=REQUIRED)


def batches_of(source, turn: int, rows: int) -> list[Lines]:
    """What a turn left, as it was committed: each batch with its Provenance."""
    step = BATCH_ROWS + 1
    batches = rows // BATCH_ROWS
    first = turn * batches * step + 1
    return [
        lines_between(source, key, key + BATCH_ROWS)
        for key in range(first, first + batches * step, step)
    ]


def inserting(target, batches: Sequence[Lines]) -> float:
    """Seconds."""
    began = time.perf_counter()
    for batch in batches:
        target.insert(batch)
    return time.perf_counter() - began


if __name__ == "__main__":
    main()
