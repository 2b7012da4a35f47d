# ruff: noqa: T201
"""The memory of the service over many requests.

By hand, from the project's folder, with wrk installed (on Debian: ``apt install wrk``):

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_memory.py [--requests 100000]

100,000 requests over 16 connections to ``airway serve``: of ten, six reads, one create, and three
of these: searches by patient and date, by patient in the order of dates, by identifier, a history,
an earlier version. What is created is never asked for and is of many children, so that nothing that
is read grows: neither answers nor what the safety rules look through, which is all that a child has
when a session names a sign. Half as many go before, since a fresh process fills its caches. Told is
the memory that the process holds (RSS) after them and after each quarter; the last is judged beside
the first quarter.
"""

import random
from collections.abc import Iterator

import httpx
import scratch
import wrk
from documents import many_sessions
from options import options
from processes import listening_at
from served_process import served
from turns import verdict

from service.fhir.json import JsonObject, write

REQUESTS = 100_000
STORED, CHILDREN = 1000, 20
MOST_GROWTH = 1.05
SECONDS = 5
"""Of one run of the load; runs go on until a quarter is full."""
_TYPED = {"Content-Type": "application/fhir+json"}


def main() -> None:
    told = options(requests=REQUESTS)
    for engine in told.engines:
        memory(engine, told.requests)


def memory(engine: str, count: int) -> None:
    folder = scratch.folder()
    with served(scratch.store_in(folder, engine), folder) as address:
        with httpx.Client(base_url=address, headers=_TYPED) as client:
            for one in many_sessions(STORED, children=CHILDREN):
                path = f"/fhir/Observation/{one['id']}"
                assert client.put(path, content=write(one)).status_code == 201
        asked = wrk.keep(requests(), folder / "requests")
        process = listening_at(address)
        quarters, seconds, done = [process.memory_info().rss], 0.0, 0
        for share in (0.5, 0.75, 1.0, 1.25, 1.5):
            while done < count * share:
                told = wrk.run(address, asked, seconds=SECONDS, first=done)
                done, seconds = done + told.requests, seconds + told.seconds
            quarters.append(process.memory_info().rss)
    mebibytes = ", ".join(f"{one / 2**20:.0f}" for one in quarters)
    print(f"{engine}: {done} requests at {done / seconds:.0f} a second; RSS in MiB at the start,"
          f" after the warming up and after each quarter {mebibytes}")  # fmt: skip
    verdict("last to first quarter", quarters[-1] / quarters[2], most=MOST_GROWTH)


def requests() -> Iterator[bytes]:
    """Lines for the load, in an order of their own."""
    chance = random.Random(6)  # noqa: S311
    fresh = many_sessions(STORED * 3, children=CHILDREN)
    lines = []
    for number, one in enumerate(fresh):
        created = write(_of_others(one, number))
        reads = [f"/fhir/Observation/session-{chance.randrange(STORED)}" for _ in range(8)]
        gets = [*reads[:6], *chance.sample(_others(chance, reads[6:]), 3)]
        lines += [wrk.request("GET", path) for path in gets]
        lines.append(wrk.request("POST", "/fhir/Observation", created))
    chance.shuffle(lines)
    yield from lines


def _of_others(one: JsonObject, number: int) -> JsonObject:
    """Nothing that is asked for, of a child of its own."""
    own = {
        "subject": {"reference": f"Patient/other-{number}"},
        "identifier": [{"system": "https://clinic.example/log", "value": f"N-{number}"}],
    }
    return {name: value for name, value in one.items() if name != "id"} | own


def _others(chance: random.Random, reads: list[str]) -> list[str]:
    child = f"Patient/child-{chance.randrange(CHILDREN)}"
    day = f"2024-01-{chance.randrange(1, 20):02d}"
    return [
        f"/fhir/Observation?patient={child}&date=ge{day}&_count=10",
        f"/fhir/Observation?subject={child}&_sort=-date&_count=5",
        f"/fhir/Observation?identifier=S-{chance.randrange(STORED)}",
        f"{reads[0]}/_history",
        f"{reads[1]}/_history/1",
    ]


if __name__ == "__main__":
    main()
