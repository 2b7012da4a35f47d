"""The application: every road into the service over HTTP.

What is below /fhir goes straight to its own roads, which give out bytes as they were stored. The
rest are FastAPI routers; they and only they are in ``/openapi.json`` (``/fhir/metadata`` describes
the FHIR roads).
"""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import structlog
from fastapi import FastAPI
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service.api import counts, docs, health, metrics, outcomes, programmes, registry, sessions
from service.api.capability import VERSION
from service.api.described import REFUSALS
from service.api.fhir import Roads
from service.api.hosts import OwnNamesOnly
from service.api.middleware import Surround
from service.api.places import PREFIX
from service.api.reads import Reads
from service.api.services import Services
from service.api.types import WHOLE, served_types
from service.settings import Settings, access_warning, check_binding

log = structlog.get_logger("airway")

FEED_PATHS = frozenset({"/sessions", f"{PREFIX}/$load"})


class Application:
    """The whole service as one ASGI application: what is around every request, then the roads."""

    def __init__(self, services: Services) -> None:
        self.own = _own_roads(services)
        self._fhir = Roads(
            services,
            served_types(services.definitions, services.parameters),
            WHOLE,
            Reads(services.record, counts.count_batch),
            Reads(services.definition_record, counts.count_batch),
        )
        self._around = Surround(
            OwnNamesOnly(self._dispatch, services.settings),
            _limits(services.settings),
            counts.count_requests,
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._around(scope, receive, send)

    async def _dispatch(self, scope: Scope, receive: Receive, send: Send) -> None:
        path = scope.get("path", "")
        if path.startswith(PREFIX) and path[len(PREFIX) :][:1] in ("", "/"):
            scope["app"] = self.own
            await self._fhir(scope, receive, send)
        else:
            await self.own(scope, receive, send)


def create_app(services: Services) -> Application:
    """The application over ``services``.

    Raises ``OpenAccessError`` when the settings would let other computers in unasked.
    """
    check_binding(services.settings)
    return Application(services)


def _own_roads(services: Services) -> FastAPI:
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
    outcomes.install(app)
    for part in (health, metrics, programmes, registry, sessions):
        app.include_router(part.router)
    app.router.routes.extend(docs.ROUTES)
    return app


@asynccontextmanager
async def _warn_at_start(app: FastAPI) -> AsyncIterator[None]:
    services: Services = app.state.services
    log.warning(access_warning(services.settings))
    for told in services.parameters.refused:
        log.warning("a search parameter is not served", why=told)
    if not services.record.is_indexed():
        log.warning(health.NOT_INDEXED)
    yield


def _limits(settings: Settings) -> Callable[[str], int]:
    """The greatest body by path: feeds stream and may be long, everything else is held whole."""

    def limit_of(path: str) -> int:
        return settings.max_feed_bytes if path in FEED_PATHS else settings.max_body_bytes

    return limit_of
