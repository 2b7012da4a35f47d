"""Whether the process lives, and whether it can answer from its store."""

import structlog
from fastapi import APIRouter
from starlette.responses import JSONResponse

from service.api.described import JSON, answers
from service.api.outcomes import refusal
from service.api.services import ServicesOf

router = APIRouter(prefix="/health", tags=["Health"])

NOT_INDEXED = (
    "Search parameters changed since this store was indexed: searches by them may miss resources "
    "until `airway store reindex` has run."
)

log = structlog.get_logger("airway.health")


@router.get("/live", responses=answers(JSON))
async def live() -> JSONResponse:
    """The process answers. Says nothing about the store."""
    return JSONResponse({"status": "live"})


@router.get("/ready", responses=answers(JSON))
def ready(services: ServicesOf) -> JSONResponse:
    """The store can be read; 503 otherwise, and the log says what kind of error it was.

    A store is brought up to date before the first request is taken, or there is no service. Where
    search parameters were changed and the store was not indexed again since, a warning says so:
    the service answers, and only searches by these parameters may miss something.
    """
    try:
        indexed = services.record.is_indexed()
    except Exception as error:
        log.error("the store cannot be read", error=type(error).__name__)
        raise refusal(503, "The store cannot be read.", code="transient") from None
    return JSONResponse({"status": "ready"} | ({} if indexed else {"warnings": [NOT_INDEXED]}))
