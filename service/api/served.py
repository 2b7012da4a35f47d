"""What a FHIR request brings to its handler, and what is said of a type that is served."""

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from starlette.requests import Request
from starlette.responses import Response

from service.api.reads import Reads
from service.api.services import Services, caller_of
from service.fhir.search.declarations import Parameter
from service.record import Actor, Record


class Call(NamedTuple):
    """One request. ``served`` is its type, or the system as a whole. ``reads`` gathers reads.

    ``types`` are all that are served, by name.
    """

    request: Request
    services: Services
    served: "ServedType"
    reads: Reads
    types: Mapping[str, "ServedType"]

    @property
    def base(self) -> str:
        """The address of /fhir that links in the answer begin with."""
        return base_of(self.request, self.services)

    @property
    def type(self) -> str:
        return self.served.name

    @property
    def id(self) -> str:
        return str(self.request.path_params["id"])

    @property
    def record(self) -> Record:
        """Where resources of this type are: the record, or the definitions that ship with it."""
        return self.services.definition_record if self.served.shipped else self.services.record

    @property
    def caller(self) -> Actor:
        return caller_of(self.request)


Handler = Callable[[Call], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Operation:
    """An operation, the canonical of its definition, and the methods that call it, by level."""

    name: str
    definition: str
    handler: Handler
    on_type: tuple[str, ...] = ()
    on_instance: tuple[str, ...] = ()
    on_system: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ServedType:
    """A resource type: its FHIR interaction codes, operations and search parameters by name.

    The system as a whole is told of in the same way; its name is empty.

    ``shipped``: its resources are the definitions that come with this software, not records.
    """

    name: str
    interactions: frozenset[str]
    operations: Mapping[str, Operation]
    parameters: Mapping[str, Parameter]
    profiles: tuple[str, ...] = ()
    shipped: bool = False


def base_of(request: Request, services: Services) -> str:
    """The address of /fhir: what the operator set, else as the client reached it."""
    own = services.settings.base_url or str(request.base_url).rstrip("/")
    return f"{own}/fhir"
