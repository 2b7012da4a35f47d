"""GET /metrics: what this service counts about itself, for Prometheus.

Labels are templates of paths, methods and statuses: never an id, a value or a name. With several
workers each process writes to files in ``PROMETHEUS_MULTIPROC_DIR`` and whichever is asked adds
them up.
"""

import os
from functools import lru_cache

from fastapi import APIRouter
from prometheus_client import (
    CONTENT_TYPE_LATEST,
    REGISTRY,
    CollectorRegistry,
    Counter,
    Histogram,
    generate_latest,
)
from prometheus_client.multiprocess import MultiProcessCollector
from starlette.responses import Response

from service.api.described import answers

SHARED = "PROMETHEUS_MULTIPROC_DIR"
"""The environment variable, the library's own, that names the folder of several workers."""

router = APIRouter(tags=["Health"])

_requests = Counter("airway_http_requests", "Requests answered.", ["method", "route", "status"])
_seconds = Histogram(
    "airway_http_request_seconds",
    "Time from the first byte of a request to the end of its answer.",
    ["method", "route"],
    buckets=(0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10),
)
_batches = Histogram(
    "airway_gathered_reads",
    "Single reads asked of the store together.",
    buckets=(1, 2, 4, 8, 16, 32, 64, 128, 200),
)


@router.get("/metrics", responses=answers("text/plain"))
def metrics() -> Response:
    """Counts and times since the start, in the Prometheus text format."""
    registry = REGISTRY
    if SHARED in os.environ:
        registry = CollectorRegistry()
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    return Response(generate_latest(registry), media_type=CONTENT_TYPE_LATEST)


def count_request(method: str, route: str, status: int, seconds: float) -> None:
    """One request was answered, or broke off."""
    counter, histogram = _of_request(method, route, status)
    counter.inc()
    histogram.observe(seconds)


def count_batch(size: int) -> None:
    """So many single reads were asked of the store together."""
    _batches.observe(size)


@lru_cache(maxsize=4096)
def _of_request(method: str, route: str, status: int) -> tuple[Counter, Histogram]:
    return _requests.labels(method, route, str(status)), _seconds.labels(method, route)
