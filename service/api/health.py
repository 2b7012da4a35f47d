"""Whether the process lives, and whether it can answer from its store."""

from fastapi import APIRouter
from starlette.responses import JSONResponse

from service.api.described import JSON, answers
from service.api.services import ServicesOf

router = APIRouter(prefix="/health", tags=["Health"])


@router.get("/live", responses=answers(JSON))
async def live() -> JSONResponse:
    """The process answers. Says nothing about the store."""
    return JSONResponse({"status": "live"})


@router.get("/ready", responses=answers(JSON))
def ready(services: ServicesOf) -> JSONResponse:
    """The store can be read; an error otherwise."""
    services.record.ready()
    return JSONResponse({"status": "ready"})
