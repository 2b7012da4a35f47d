# ruff: noqa: T201
"""Search by patient and date in a large record beside the same in a small one, in one run.

By hand, from the project's folder, with wrk installed (on Debian: ``apt install wrk``):

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_search.py

Session Observations are 1,000,000 and 10,000 unless ``--large`` and ``--small`` say otherwise, on
both engines or on the one that ``--engine`` names; a million take some 10 GB. There is one child
for every 500: a record grows by children, each with about eight months of two sessions a day. They
are put into the store with all their index rows, without being checked; that takes its time and is
told. A search asks for a random fortnight of a random child: 28 resources, in one page.

Over HTTP one client waits for each answer; the same without HTTP shows what the store alone takes.
Both records take turns, query by query the same kind; figures are medians in milliseconds.
"""

import random
import time
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, date, datetime, timedelta
from itertools import islice
from statistics import median

import scratch
import wrk
from documents import many_sessions
from engines import ENGINES
from options import options
from processes import listening_at
from search_language import found_by, parse
from served_process import served
from turns import Turns, tell_shares, verdict
from where import watched

from service.compose import build_record, build_validator
from service.fhir.json import JsonObject
from service.record import Actor, Record
from service.record.bodies import stamped
from service.store.contract import Entry, Store, Version

LARGE, SMALL = 1_000_000, 10_000
SESSIONS = 500
"""Of each child."""
AT_ONCE = 2000
STORED = datetime(2026, 1, 1, tzinfo=UTC)
QUERIES = 2000
SECONDS = 3.0
MOST = 1.5
"""Times the latency of the small record that the large one may take."""
BY = Actor("A benchmark")


def entry(resource: JsonObject) -> Entry:
    """A first version, as the record would store it."""
    body = stamped(resource, resource["id"], 1, STORED)
    version = Version(resource["resourceType"], resource["id"], 1, STORED, False, body)
    return Entry(version, found_by(resource))


class Filled:
    """A record of so many Observations."""

    def __init__(self, engine: str, count: int, validator) -> None:
        self.count, self.children = count, max(1, count // SESSIONS)
        self.folder = scratch.folder()
        self.store: Store = ENGINES[engine](self.folder)
        self.where = scratch.store_in(self.folder, engine)
        self.record = build_record(self.store, validator)
        began = time.perf_counter()
        sessions = many_sessions(count, children=self.children)
        while some := list(islice(sessions, AT_ONCE)):
            with self.store.begin() as work:
                work.write([entry(one) for one in some])
        print(f"  {count} Observations stored in {time.perf_counter() - began:.0f} s", flush=True)

    def queries(self) -> Iterator[str]:
        chance = random.Random(5)  # noqa: S311
        for _ in range(QUERIES):
            child = chance.randrange(self.children)
            first = date(2024, 1, 1) + timedelta(days=chance.randrange(SESSIONS // 2 - 14))
            last = first + timedelta(days=14)
            yield f"patient=Patient/child-{child}&date=ge{first}&date=lt{last}"


def main() -> None:
    told = options(large=LARGE, small=SMALL)
    for engine in told.engines:
        searches(engine, told.large, told.small, told.turns)


def searches(engine: str, large: int, small: int, rounds: int) -> None:
    print(f"{engine}: search by patient and date", flush=True)
    validator = build_validator()
    filled = {str(count): Filled(engine, count, validator) for count in (small, large)}
    with ExitStack() as stack:
        contenders = {}
        for name, one in filled.items():
            address = stack.enter_context(served(one.where, one.folder))
            file = one.folder / "searches"
            wrk.keep((wrk.request("GET", f"/fhir/Observation?{q}") for q in one.queries()), file)
            contenders[f"HTTP {name}"] = lambda _, a=address, f=file: (
                wrk.run(a, f, seconds=SECONDS, connections=1).p50
            )
            contenders[f"alone {name}"] = lambda turn, one=one: alone(one, turn)
        turns = Turns(contenders, {}, "ms", turns=rounds)
        with watched(listening_at(address).pid, SECONDS) as shares:
            wrk.run(address, file, seconds=SECONDS, connections=1)
    for name in contenders:
        turns.tell(name)
    for how in ("HTTP", "alone"):
        times = turns.rate[f"{how} {large}"] / turns.rate[f"{how} {small}"]
        verdict(f"latency, {how}, {large} to {small}", times, most=MOST)
    tell_shares("the service", shares)
    for one in filled.values():
        one.store.close()
        scratch.drop(one.folder, engine)


def alone(filled: Filled, turn: int) -> float:
    """Milliseconds of a search without HTTP, from the parsed question to versions."""
    taken = []
    for query in list(filled.queries())[turn * 100 : turn * 100 + 200]:
        began = time.perf_counter()
        found = search(filled.record, query)
        taken.append(time.perf_counter() - began)
        assert found == 28, found
    return median(taken) * 1000


def search(record: Record, query: str) -> int:
    pairs = [tuple(part.split("=", 1)) for part in query.split("&")]
    asked = parse("Observation", pairs)
    return len(record.search(BY, "Observation", asked.criteria, count=50).versions)


if __name__ == "__main__":
    main()
