"""The application: every road into the service over HTTP.

Below /fhir Starlette's own routes give out bytes as they were stored. The rest are FastAPI
routers; they and only they are in ``/openapi.json`` (``/fhir/metadata`` describes the FHIR roads).
There is no documentation page: the framework's own loads its scripts from another host.
"""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import structlog
from fastapi import FastAPI
from starlette.responses import Response

from service.api import fhir, health, outcomes, programmes, registry, sessions
from service.api.capability import VERSION, Capability
from service.api.described import REFUSALS
from service.api.hosts import OwnNamesOnly
from service.api.middleware import Surround
from service.api.services import Services
from service.api.types import served_types
from service.settings import Settings, access_warning, check_binding

log = structlog.stdlib.get_logger("airway")

FEED_PATH = "/sessions"


def create_app(services: Services) -> FastAPI:
    """The application over ``services``.

    Raises ``OpenAccessError`` when the settings would let other computers in unasked.
    """
    check_binding(services.settings)
    app = FastAPI(
        title="Home airway-clearance programmes",
        description=(
            "Programmes in, session logs in, adherence out. Nobody watches the logs in real time. "
            "FHIR R4 is at /fhir, described by /fhir/metadata."
        ),
        version=VERSION,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        default_response_class=Response,
        responses=REFUSALS,
        lifespan=_warn_at_start,
    )
    app.state.services = services
    app.add_middleware(OwnNamesOnly, settings=services.settings)
    app.add_middleware(Surround, limit_of=_limits(services.settings))
    outcomes.install(app)
    for part in (health, programmes, registry, sessions):
        app.include_router(part.router)
    types = served_types(services.definitions)
    app.router.routes.extend(fhir.routes(types, Capability(types, services.clock())))
    return app


@asynccontextmanager
async def _warn_at_start(app: FastAPI) -> AsyncIterator[None]:
    services: Services = app.state.services
    log.warning(access_warning(services.settings))
    yield


def _limits(settings: Settings) -> Callable[[str], int]:
    """The greatest body by path: feeds stream and may be long, everything else is held whole."""

    def limit_of(path: str) -> int:
        return settings.max_feed_bytes if path == FEED_PATH else settings.max_body_bytes

    return limit_of
