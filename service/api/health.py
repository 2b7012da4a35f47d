"""Whether the process lives, and whether it can answer from its store."""

from fastapi import APIRouter
from starlette.responses import JSONResponse

from service.api.services import ServicesOf

router = APIRouter(prefix="/health", tags=["Health"])


@router.get("/live")
async def live() -> JSONResponse:
    """The process answers. Says nothing about the store."""
    return JSONResponse({"status": "live"})


@router.get("/ready")
def ready(services: ServicesOf) -> JSONResponse:
    """The store can be read; an error otherwise."""
    services.record.ready()
    return JSONResponse({"status": "ready"})
