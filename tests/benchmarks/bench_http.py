# ruff: noqa: T201
"""Reads and creates over HTTP, each beside a named peer in the same run.

By hand, from the project's folder, with wrk installed (on Debian: ``apt install wrk``):

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_http.py [--seconds 4]

The service runs as it is started (``airway serve``, one worker, over a store of its own); ``wrk``
reads over 32 connections and creates over 16. Contenders take turns, so that a busy machine slows
all; figures are medians of the turns. The machine's cores are shared by the service, the load, a
database server and whatever else runs: each line says how many cores the service and the database
used.

read: 1,000 resources in turn. The peer is a bare Starlette route that answers the same bytes out
of memory, under the same server settings.

create: validated in full, each with its Provenance, index and outbox lines. The peer inserts the
very lines that such creates left, prepared beforehand, by a plain loop through the same driver with
one commit each. The required ratio is asked of creates over HTTP; ``alone`` is the same work by one
caller without HTTP.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from statistics import median

import httpx
import scratch
import wrk
from documents import many_sessions
from engines import ENGINES
from options import options
from plain_driver import DRIVERS, last_key, lines_between, make_tables
from processes import database_of, listening_at, served_peer
from served_process import served
from turns import Turns, tell_shares, verdict
from where import watched

from service.compose import build_record, build_validator
from service.fhir.json import JsonObject, read, write
from service.programme.checks import Policy
from service.record import Actor, Create, Record
from service.record.plans_sent import judge_of

SECONDS = 4.0
"""Of one turn."""
RESOURCES = 1000
PREPARED = 20_000
"""Different creates; they begin anew after that."""
CREATES_A_SECOND = 100
"""How many of them a turn without HTTP takes, for each of its seconds."""
READERS = 32
READ_REQUIRED, CREATE_REQUIRED = 0.5, 0.3
BY = Actor("A benchmark")


def main() -> None:
    told = options(seconds=SECONDS)
    validator = build_validator()
    for engine in told.engines:
        reads(engine, told.seconds, told.turns)
        for name, resources in (
            ("an airway-session Observation", sessions()),
            ("a Patient", patients()),
        ):
            creates(engine, name, resources, validator, told.seconds, told.turns)


def sessions() -> Iterator[JsonObject]:
    for one in many_sessions(PREPARED):
        yield {name: value for name, value in one.items() if name != "id"}


def patients() -> Iterator[JsonObject]:
    """Invented children."""
    for number in range(PREPARED):
        yield {
            "resourceType": "Patient",
            "identifier": [{"system": "https://clinic.example/child", "value": f"C-{number}"}],
            "active": True,
            "name": [{"use": "official", "family": f"Family{number % 977}", "given": ["Robin"]}],
            "gender": ("female", "male", "other")[number % 3],
            "birthDate": f"20{10 + number % 15}-{number % 12 + 1:02d}-{number % 28 + 1:02d}",
            "communication": [
                {"language": {"coding": [{"system": "urn:ietf:bcp:47", "code": "en"}]}}
            ],
        }


class Place:
    """A folder with a store, and how the service and its database are watched."""

    def __init__(self, engine: str) -> None:
        self.engine = engine
        self.folder = scratch.folder()
        self.store = scratch.store_in(self.folder, engine)
        self._watched = {} if engine == "sqlite" else {"database": database_of(self.store)}

    def processes(self, address: str):
        return {"service": listening_at(address)} | self._watched


def reads(engine: str, seconds: float, rounds: int) -> None:
    place = Place(engine)
    with served(place.store, place.folder) as address:
        with httpx.Client(base_url=address) as client:
            sent = [_put(client, one) for one in many_sessions(RESOURCES)]
            bodies = [client.get(path).content for path in sent]
        asked = wrk.keep((wrk.request("GET", path) for path in sent), place.folder / "reads")
        with served_peer(bodies, place.folder) as peer:
            turns = Turns(
                {
                    "airway serve": lambda _: ask(address, asked, seconds).rate,
                    "bare Starlette": lambda _: ask(peer, asked, seconds).rate,
                },
                place.processes(address) | {"peer": listening_at(peer)},
                turns=rounds,
            )
        with watched(listening_at(address).pid, seconds) as shares:
            told = ask(address, asked, seconds)
    print(f"{engine}: read of one resource ({median(map(len, bodies)):.0f} bytes)")
    turns.tell("airway serve", f"p50 {told.p50:.2f} ms, p99 {told.p99:.2f} ms")
    turns.tell("bare Starlette")
    verdict("ratio", turns.rate["airway serve"] / turns.rate["bare Starlette"], least=READ_REQUIRED)
    tell_shares("the service", shares)


def ask(address: str, asked: Path, seconds: float) -> wrk.Told:
    return wrk.run(address, asked, seconds=seconds, connections=READERS)


def _put(client: httpx.Client, resource: JsonObject) -> str:
    path = f"/fhir/{resource['resourceType']}/{resource['id']}"
    answer = client.put(path, content=write(resource), headers=_TYPED)
    assert answer.status_code == 201, answer.text
    return path


_TYPED = {"Content-Type": "application/fhir+json"}


def creates(
    engine: str, name: str, resources: Iterator[JsonObject], validator, seconds: float, rounds: int
) -> None:
    """The service over HTTP, a record by itself, and the bare driver, each with its own store."""
    place, own, plain = Place(engine), Place(engine), Place(engine)
    bodies = [write(one) for one in resources]
    path = f"/fhir/{read(bodies[0])['resourceType']}"
    file = wrk.keep((wrk.request("POST", path, one) for one in bodies), place.folder / "creates")
    count = max(20, round(CREATES_A_SECOND * seconds))
    store = ENGINES[engine](own.folder)
    record, source = build_record(store, validator), DRIVERS[engine](own.folder)
    target = DRIVERS[engine](plain.folder)
    make_tables(target)

    def over_http(turn: int) -> float:
        return wrk.run(address, file, seconds=seconds, first=turn * 4001).rate

    def alone(turn: int) -> float:
        return rate(lambda body: create(record, body), bodies[turn * count : (turn + 1) * count])

    def bare(turn: int) -> float:
        """What ``alone`` left in the same turn: a resource and its Provenance each."""
        first = 2 * turn * count + 1
        keys = range(first, first + 2 * count, 2)
        return rate(target.insert, [lines_between(source, key, key + 1) for key in keys])

    with served(place.store, place.folder) as address:
        processes = place.processes(address)
        contenders = {"airway serve": over_http, "alone": alone, "bare inserts": bare}
        turns = Turns(contenders, processes, turns=rounds)
        assert last_key(source) == last_key(target) == 2 * count * (rounds + 1)
        with watched(processes["service"].pid, seconds) as shares:
            told = wrk.run(address, file, seconds=seconds)
    lines = sum(map(len, lines_between(source, 1, 2 * count).values())) / count
    store.close()
    size = median(map(len, bodies))
    print(f"{engine}: create of {name} ({size:.0f} bytes, {lines:.0f} lines in tables)")
    turns.tell("airway serve", f"p50 {told.p50:.1f} ms, p99 {told.p99:.1f} ms")
    turns.tell("alone")
    turns.tell("bare inserts")
    verdict(
        "ratio over HTTP",
        turns.rate["airway serve"] / turns.rate["bare inserts"],
        least=CREATE_REQUIRED,
    )
    verdict(
        "ratio without", turns.rate["alone"] / turns.rate["bare inserts"], least=CREATE_REQUIRED
    )
    tell_shares("the service", shares)


def create(record: Record, body: bytes) -> None:
    """As the road for creates does it."""
    change = Create(read(body))
    record.write([change], BY, before_commit=judge_of([change], Policy()))


def rate(work: Callable[..., object], given: Sequence) -> float:
    """How many a second."""
    began = time.perf_counter()
    for one in given:
        work(one)
    return len(given) / (time.perf_counter() - began)


if __name__ == "__main__":
    main()
