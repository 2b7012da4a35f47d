# ruff: noqa: T201
"""A child's review page out of the record, beside a bare render of the same template.

By hand, from the project's folder, over the record that ``airway demo`` left:

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_review.py [record] [turns]

For every child half a year, turn by turn in one process: ``page`` is all of it, from the record to
HTML; ``bare`` the template alone with everything worked out and drawn before; ``drawn`` the page
with what was gathered from the record before. Told are milliseconds of processor time (others may
use the machine), medians of the turns, and how often longer the page takes.
"""

import sys
import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from statistics import median

from service.compose import open_services
from service.fhir.json import read
from service.pages.rendering import rendered
from service.pages.review import review_html
from service.pages.review.page import page_values
from service.programme.checks import Policy
from service.record import Actor, Record
from service.record.appointment import Asked, appointment
from service.serving import settle_memory
from service.settings import Settings
from service.words import words_of

RECORD = Path("airway-demo/record.sqlite")
TURNS = 9
FIRST, LAST = date(2026, 1, 1), date(2026, 6, 30)
MOST_TIMES = 3.0
CALLER = Actor("Benchmark")
NAMES = ("page", "bare", "drawn")


def main() -> None:
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else RECORD
    turns = int(sys.argv[2]) if len(sys.argv) > 2 else TURNS
    now = datetime.now(UTC)
    asked = Asked(FIRST, LAST, now, now)
    rows = []
    with open_services(Settings(store=path)) as services:
        settle_memory()
        for name, id_ in _children(services.record):
            work = _work(services.record, id_, asked, services.policy)
            logs, times = work[0], _timed(work[1], turns)
            rows.append((name, logs, times))
            _tell(name, logs, times)
    for what in ("bare", "drawn"):
        ratios = sorted(times["page"] / times[what] for _, _, times in rows)
        within = sum(ratio < MOST_TIMES for ratio in ratios)
        told = f"median {median(ratios):.2f}, {ratios[0]:.2f} to {ratios[-1]:.2f}"
        print(f"page / {what}: {told}; under {MOST_TIMES} for {within} of {len(ratios)} children")


def _children(record: Record) -> list[tuple[str, str]]:
    patients = [(read(one.body), one.id) for one in record.search(CALLER, "Patient").versions]
    return sorted((one["identifier"][0]["value"], id_) for one, id_ in patients)


def _work(
    record: Record, id_: str, asked: Asked, policy: Policy
) -> tuple[int, dict[str, Callable[[], object]]]:
    words = words_of("en")

    def gather() -> object:
        return appointment(record, CALLER, id_, asked, policy)

    ready = gather()
    values = page_values(ready, words)
    return len(ready.answer.received), {
        "page": lambda: review_html(gather(), words),
        "bare": lambda: rendered("review.html", words, **values),
        "drawn": lambda: review_html(ready, words),
    }


def _timed(work: dict[str, Callable[[], object]], turns: int) -> dict[str, float]:
    found: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(turns):
        for name, job in work.items():
            begin = time.process_time()
            job()
            found[name].append((time.process_time() - begin) * 1000)
    return {name: median(times) for name, times in found.items()}


def _tell(name: str, logs: int, times: dict[str, float]) -> None:
    told = "  ".join(f"{one} {times[one]:6.1f}" for one in NAMES)
    print(f"{name:6} {logs:4} logs  {told}  page/bare {times['page'] / times['bare']:.2f}")


if __name__ == "__main__":
    main()
