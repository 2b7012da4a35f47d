# ruff: noqa: T201
"""A year's adherence of many children beside a plain group-by of a dataframe library, in one run.

By hand, from the project's folder (``pip install '.[test,bench]'`` first):

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_cohort.py

Children are 1,000 with 500 sessions each unless ``--children`` and ``--sessions`` say otherwise;
``many_children.py`` says what they do. Both sides begin at the bodies in the store. Ours is what
``Group/{id}/$adherence`` answers in summary: plans, states and pauses of each child as known, what
was due, sessions matched, five figures with their intervals. The peer is polars: it reads the
current Observations in one statement, decodes the JSON of the few elements that it needs, counts
sessions by child and local day, at most two a day, and adds up the year. It knows no plan.

Figures are medians of seconds; growth is told as microseconds of a session for a fiftieth of the
children, all, and twice as many, as the record grows.
"""

import resource
import sqlite3
import time
from collections.abc import Iterator
from functools import partial
from itertools import chain, islice
from statistics import median

import polars as pl
import psycopg
import scratch
from engines import ENGINES
from many_children import FIRST, LAST, STORED, patient_id, resources_of, sessions_of
from options import options
from search_language import found_by
from turns import Turns, verdict

from service.compose import build_record, build_validator
from service.fhir.json import JsonObject
from service.record import Actor, Record
from service.record.bodies import stamped
from service.record.cohorts import Asked, Cohort, group_answer
from service.serving import settle_memory
from service.store.contract import Entry, Store, Version

MOST = 3.0
"""Times the peer's time that is asked for."""
AT_ONCE = 2000
BY = Actor("A benchmark")
BODIES = (
    "SELECT body FROM resource JOIN version ON number = current WHERE resource.type = 'Observation'"
)
SESSION = pl.Struct(
    {
        "code": pl.Struct({"coding": pl.List(pl.Struct({"code": pl.String}))}),
        "subject": pl.Struct({"reference": pl.String}),
        "effectivePeriod": pl.Struct({"start": pl.String}),
        "dataAbsentReason": pl.Struct({"coding": pl.List(pl.Struct({"code": pl.String}))}),
    }
)


def main() -> None:
    told = options(children=1000, sessions=500)
    for engine in told.engines:
        cohort(engine, told.children, told.sessions, told.turns)


def cohort(engine: str, children: int, sessions: int, turns: int) -> None:
    print(f"{engine}: {children} children, {sessions} sessions each", flush=True)
    folder = scratch.folder()
    store = ENGINES[engine](folder)
    record = build_record(store, build_validator())
    settle_memory()
    growth, stored = [], 0
    for size in (max(1, children // 50), children, children * 2):
        keep(store, range(stored, size), sessions)
        stored = size
        took = [timed(partial(ours, record, size)) for _ in range(turns if size <= children else 1)]
        growth.append(f"{size * sessions} sessions {median(took) / size / sessions * 1e6:.1f}")
        if size == children:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            beside_peer(record, engine, scratch.store_in(folder, engine), children, turns)
    print(f"  growth, microseconds of a session: {', '.join(growth)}")
    print(f"  peak memory without the peer {peak:.0f} MiB", flush=True)
    store.close()
    scratch.drop(folder, engine)


def keep(store: Store, children: range, sessions: int) -> None:
    began = time.perf_counter()
    everything = chain.from_iterable(
        chain(resources_of(child), sessions_of(child, sessions)) for child in children
    )
    while some := list(islice(everything, AT_ONCE)):
        with store.begin() as work:
            work.write([entry(one) for one in some])
    print(f"  {len(children)} more stored in {time.perf_counter() - began:.0f} s", flush=True)


def beside_peer(record: Record, engine: str, where: str, children: int, turns: int) -> None:
    contenders = {
        "adherence": lambda _: timed(lambda: ours(record, children)),
        "polars": lambda _: timed(lambda: peer(engine, where, children)),
    }
    found = Turns(contenders, {}, "s", turns=turns)
    for name in contenders:
        found.tell(name)
    verdict("adherence to group-by", found.rate["adherence"] / found.rate["polars"], most=MOST)


def entry(one: JsonObject) -> Entry:
    """A first version, as the record would store it."""
    body = stamped(one, one["id"], 1, STORED)
    return Entry(Version(one["resourceType"], one["id"], 1, STORED, False, body), found_by(one))


def timed(work) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def ours(record: Record, children: int) -> None:
    asked = Asked(FIRST, LAST, STORED, STORED)
    group = Cohort(None, tuple(patient_id(child) for child in range(children)))
    answer = group_answer(record, BY, group, asked)
    assert answer.figures["sessions"].scored == children, answer.figures["sessions"]


def peer(engine: str, where: str, children: int) -> None:
    bodies = pl.Series("body", [one.decode() for one in all_bodies(engine, where)])
    read = bodies.str.json_decode(SESSION).struct.unnest()
    codes = read["code"].struct.field("coding").list.get(0).struct.field("code")
    absent = read["dataAbsentReason"].struct.field("coding")
    rows = pl.DataFrame(
        {
            "child": read["subject"].struct.field("reference"),
            "day": read["effectivePeriod"].struct.field("start").str.slice(0, 10),
        }
    ).filter((codes == "session") & absent.is_null())
    by_day = rows.group_by("child", "day").len().with_columns(pl.col("len").clip(upper_bound=2))
    years = by_day.group_by("child").agg(pl.col("len").sum())
    assert len(years) == children, len(years)


def all_bodies(engine: str, where: str) -> Iterator[bytes]:
    if engine == "sqlite":
        with sqlite3.connect(where) as connection:
            yield from (body for (body,) in connection.execute(BODIES))
        return
    with psycopg.connect(where) as connection, connection.cursor("bodies", binary=True) as cursor:
        cursor.itersize = AT_ONCE  # the driver would hold all of them twice
        yield from (body for (body,) in cursor.execute(BODIES))


if __name__ == "__main__":
    main()
