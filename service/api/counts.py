"""What this service counts about itself.

Labels are templates of paths, methods, statuses and the like: never an id, a value or a name. A
process alone keeps its counts in memory; with several workers the library keeps them in files that
whichever worker is asked adds up (see ``metrics``).
"""

from collections import Counter as Counted
from collections.abc import Mapping, Sequence
from functools import lru_cache

from prometheus_client import Counter, Histogram

from service.api.request_lines import Ended

_requests = Counter("airway_http_requests", "Requests answered.", ["method", "route", "status"])
_seconds = Histogram(
    "airway_http_request_seconds",
    "Time from the headers of a request to the end of its answer.",
    ["method", "route"],
    buckets=(0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10),
)
_batches = Histogram(
    "airway_gathered_reads",
    "Single reads asked of the store together.",
    buckets=(1, 2, 4, 8, 16, 32, 64, 128, 200),
)
_refusals = Counter(
    "airway_record_refusals",
    "What the record refused: Busy is a store that others wrote to for too long, Conflict another "
    "version than the writer meant.",
    ["reason"],
)
_rows = Counter("airway_rows", "Rows of feeds and bulk loads, and how they ended.", ["kind", "end"])


def count_requests(ended: Sequence[Ended]) -> None:
    """These were answered, or broke off."""
    alike = Counted((one.method, one.route, one.status or 500) for one in ended)
    for (method, route, status), number in alike.items():
        _requests_of(method, route, status).inc(number)
    for one in ended:
        _seconds_of(one.method, one.route).observe(one.seconds)


def count_batch(size: int) -> None:
    """So many single reads were asked of the store together."""
    _batches.observe(size)


def count_refusal(reason: str) -> None:
    """The record refused something, for a reason that is the name of its error."""
    _refusals.labels(reason).inc()


def count_rows(kind: str, ends: Mapping[str, int]) -> None:
    """So many rows of this kind of feed ended so."""
    for end, number in ends.items():
        _rows.labels(kind, end).inc(number)


@lru_cache(maxsize=4096)
def _requests_of(method: str, route: str, status: int) -> Counter:
    return _requests.labels(method, route, str(status))


@lru_cache(maxsize=1024)
def _seconds_of(method: str, route: str) -> Histogram:
    return _seconds.labels(method, route)
