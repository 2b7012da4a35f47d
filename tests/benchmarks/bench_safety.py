# ruff: noqa: T201
"""Session logs with and without the safety rules looking on, turn by turn in one process.

By hand, from the project's folder:

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_safety.py [turns]

A turn sends one batch of 100 new rows to each of two records on files of their own. ``plain``:
rows that name no sign at all. ``measured``: every row has SpO2, breathlessness, and says that there
was no blood and no pain. ``one bleed``: one row of the hundred names blood, of a child with a year
of logs. Told are rows a second of processor time (others may use the machine) and of the clock,
medians.
"""

import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from statistics import median
from typing import Any

from engines import ENGINES
from safety_family import PHONE, PROGRAMME, TEAM
from search_language import parameters
from set_clock import Clock

from service.compose import build_validator
from service.fhir.json import write
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import JsonLines, rows_of
from service.programme.safety import DEFAULT_POLICY
from service.record import Record
from service.record.programmes import Programmes
from service.record.safety import SafetyWatch
from service.record.sessions import Upload

TURNS = 30
ROWS = 100
CHILDREN = 20
MOST_LOST = 0.1
_numbers = count(1)

MEASURED = {
    "spo2": 97,
    "breathlessness": 1,
    "chestPain": False,
    "blood": {"seen": "none"},
    "setting": 3,
}


def main() -> None:
    turns = int(sys.argv[1]) if len(sys.argv) > 1 else TURNS
    validator, clock = build_validator(), Clock()
    clock.now = datetime(2031, 1, 1, tzinfo=UTC)
    for engine in ENGINES:
        folder = Path(tempfile.mkdtemp(prefix="airway-bench-"))
        records = {}
        for name in ("without", "with"):
            (folder / name).mkdir()
            watch = SafetyWatch(DEFAULT_POLICY) if name == "with" else None
            store = ENGINES[engine](folder / name)
            records[name] = Record(store, validator, clock, parameters(), follower=watch)
            for child in range(CHILDREN):
                Programmes(records[name], clock).post(programme(child), TEAM)
        clock.now = datetime(2031, 12, 31, tzinfo=UTC)
        for record in records.values():  # a year of logs, twice a day, of the child who bleeds
            for start in range(0, 730, ROWS):
                send(record, clock, [row(0, n) for n in range(start, start + ROWS)])
        for kind in ("plain", "measured", "one bleed"):
            told = {name: ([], []) for name in records}
            for turn in range(turns):
                batch = list(rows(kind))
                for name in sorted(records, reverse=bool(turn % 2)):
                    for kept, taken in zip(
                        told[name], send(records[name], clock, batch), strict=True
                    ):
                        kept.append(ROWS / taken)
            tell(engine, kind, told)


def tell(engine: str, kind: str, told: dict[str, tuple[list[float], list[float]]]) -> None:
    by_processor = {name: median(rates[0]) for name, rates in told.items()}
    by_clock = {name: median(rates[1]) for name, rates in told.items()}
    ratio = median(
        with_ / without for with_, without in zip(told["with"][0], told["without"][0], strict=True)
    )
    print(
        f"{engine:10} {kind:10} rows/s of processor {by_processor['without']:6.0f} without, "
        f"{by_processor['with']:6.0f} with ({ratio - 1:+.1%}); by the clock "
        f"{by_clock['without']:6.0f}, {by_clock['with']:6.0f}"
    )


def rows(kind: str) -> Iterator[dict[str, Any]]:
    more = MEASURED if kind == "measured" else {}
    for number in range(ROWS):
        one = row(1 + number % (CHILDREN - 1), next(_numbers)) | more
        if kind == "one bleed" and number == 0:
            one = row(0, next(_numbers)) | {"blood": {"seen": "streaks", "volume": 12}}
        yield one


def programme(child: int) -> dict[str, Any]:
    who = {"identifier": [identifier(child)], "name": {"text": f"Child {child}"}}
    return PROGRAMME | {"id": f"home-{child}", "child": who, "start": "2031-01-01"}


def identifier(child: int) -> dict[str, str]:
    return {"system": "https://clinic.example/id/child", "value": f"B-{child}"}


def row(child: int, number: int) -> dict[str, Any]:
    start = datetime(2031, 1, 1, 7, tzinfo=UTC) + timedelta(hours=12 * (number % 728))
    return {
        "id": {"system": "https://diary.example/session", "value": f"{child}-{next(_numbers)}"},
        "source": "family diary",
        "child": identifier(child),
        "technique": "opep",
        "start": start.isoformat(),
        "recordedBy": "diary",
        "outcome": "complete",
        "cycles": 6,
    }


def send(record: Record, clock: Clock, documents: list[dict[str, Any]]) -> tuple[float, float]:
    """Seconds of the processor and of the clock."""
    data = b"".join(write(one) + b"\n" for one in documents)
    upload = Upload(record, PHONE, received=clock())
    began, processor = time.perf_counter(), time.process_time()
    answers = list(upload.take(rows_of(JsonLines(), lines_of([data]))))
    taken = time.process_time() - processor, time.perf_counter() - began
    assert all(answer.status == "accepted" for answer in answers), answers[0].to_json()
    return taken


if __name__ == "__main__":
    main()
