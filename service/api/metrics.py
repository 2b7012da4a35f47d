"""GET /metrics: the counts of this service, for Prometheus.

With several workers each process writes its counts to files in the folder that
``PROMETHEUS_MULTIPROC_DIR`` names, and whichever is asked adds them up.
"""

import os

from fastapi import APIRouter
from prometheus_client import CONTENT_TYPE_LATEST, REGISTRY, CollectorRegistry, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector
from starlette.responses import Response

from service.api.described import answers

SHARED = "PROMETHEUS_MULTIPROC_DIR"
"""The environment variable, the library's own, that names the folder of several workers."""

router = APIRouter(tags=["Health"])


@router.get("/metrics", responses=answers("text/plain"))
def metrics() -> Response:
    """Counts and times since the start, in the Prometheus text format."""
    registry = REGISTRY
    if SHARED in os.environ:
        registry = CollectorRegistry()
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    return Response(generate_latest(registry), media_type=CONTENT_TYPE_LATEST)
