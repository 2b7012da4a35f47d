"""What a request handler may use, built once by the composition root.

A router of its own gets it as a dependency::

    router = APIRouter(prefix="/programmes", tags=["Programmes"])

    @router.get("/{programme_id}")
    def read_programme(programme_id: str, services: ServicesOf) -> Response: ...

A plain ``def`` handler runs in a worker thread: the one thread hop that a unit of work on the
store needs. Errors are raised, never answered: ``outcomes`` turns them into an OperationOutcome.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, cast

from fastapi import Depends
from starlette.requests import Request

from service.fhir.definitions import Definitions
from service.fhir.fast import QuickValidator
from service.fhir.search.parameters import SearchParameters
from service.fhir.terminology import Terminology
from service.programme.checks import Policy
from service.record import Actor, Record
from service.record.bulk import Maker
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class Services:
    """Everything with a life longer than one request.

    ``definition_record`` holds the definitions that ship with the software, to be read and
    searched like any resource; nothing is ever written to it. ``maker`` makes the rows of bulk
    loads ready in this process, ``build_maker`` makes one in another.
    """

    settings: Settings
    record: Record
    definition_record: Record
    definitions: Definitions
    parameters: SearchParameters
    terminology: Terminology
    validator: QuickValidator
    policy: Policy
    clock: Callable[[], datetime]
    maker: Maker
    build_maker: Callable[[], Maker]


def services_of(request: Request) -> Services:
    """The services of the application that got ``request``."""
    return cast(Services, request.app.state.services)


ServicesOf = Annotated[Services, Depends(services_of)]


def caller_of(request: Request) -> Actor:  # noqa: ARG001
    """Who asks. There is no authorisation yet, so it is nobody that we know."""
    return _ANYONE


CallerOf = Annotated[Actor, Depends(caller_of)]

_ANYONE = Actor("A client of this service, not identified")
