"""The roads below /fhir: plain Starlette routes, chosen by the table of served types."""

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Match, Route, Router
from starlette.types import Scope

from service.api import reading, searching, writing
from service.api.batches import Bundles
from service.api.capability import Capability
from service.api.outcomes import refusal
from service.api.served import Call, Handler, Operation, ServedType, base_of
from service.api.services import services_of
from service.fhir.outcome import shown

Endpoint = Callable[[Request], Awaitable[Response]]

_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
"""Every path takes them all, so that a refusal is ours to word."""


@dataclass(frozen=True, slots=True)
class Road:
    """A path below a type, a method, and the FHIR interaction that it is."""

    path: str
    method: str
    interaction: str
    handler: Handler


ROADS = (
    Road("", "GET", "search-type", searching.search),
    Road("", "POST", "create", writing.create),
    Road("", "PUT", "update", writing.update_matching),
    Road("/_search", "POST", "search-type", searching.search_by_form),
    Road("/_history", "GET", "history-type", reading.history_of_type),
    Road("/{id}", "GET", "read", reading.read),
    Road("/{id}", "PUT", "update", writing.update),
    Road("/{id}", "DELETE", "delete", writing.delete),
    Road("/{id}/_history", "GET", "history-instance", reading.history_of_instance),
    Road("/{id}/_history/{version}", "GET", "vread", reading.vread),
)


def routes(types: Mapping[str, ServedType], capability: Capability) -> list[Route]:
    """The routes of everything below /fhir."""
    typed = _operation_routes(types) + _interaction_routes(types)
    bundles = Bundles(types, Router(typed))
    whole = {"POST": bundles.answer}
    return [
        _route("/fhir/metadata", _by_method({"GET": capability.answer})),
        _route("/fhir", _by_method(whole)),
        _route("/fhir/", _by_method(whole)),
        *typed,
    ]


def _interaction_routes(types: Mapping[str, ServedType]) -> list[Route]:
    paths = dict.fromkeys(road.path for road in ROADS)
    return [_route(f"/fhir/{{type}}{path}", _interaction(types, _by_path(path))) for path in paths]


def _by_path(path: str) -> dict[str, Road]:
    return {road.method: road for road in ROADS if road.path == path}


def _interaction(types: Mapping[str, ServedType], roads: Mapping[str, Road]) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        served = _served(types, request)
        open_roads = {
            method: road
            for method, road in roads.items()
            if road.interaction in served.interactions
        }
        road = open_roads.get(_method(request))
        if road is None:
            raise _not_allowed(open_roads)
        return await road.handler(_call(request, served))

    return endpoint


def _operation_routes(types: Mapping[str, ServedType]) -> list[Route]:
    return [
        _route("/fhir/{type}/${operation}", _operation(types, lambda one: one.on_type)),
        _route("/fhir/{type}/{id}/${operation}", _operation(types, lambda one: one.on_instance)),
    ]


def _operation(
    types: Mapping[str, ServedType], methods: Callable[[Operation], tuple[str, ...]]
) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        served = _served(types, request)
        name = request.path_params["operation"]
        operation = served.operations.get(name)
        if operation is None or not methods(operation):
            told = f"There is no operation {shown(f'${name}')} at this address."
            raise refusal(404, told, code="not-supported")
        if _method(request) not in methods(operation):
            raise _not_allowed(methods(operation))
        return await operation.handler(_call(request, served))

    return endpoint


class FhirRoute(Route):
    """A route that tells the layers around it which one it was, as FastAPI's own do."""

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        match, child = super().matches(scope)
        return match, {**child, "route": self} if match is not Match.NONE else child


def _route(path: str, endpoint: Endpoint) -> Route:
    return FhirRoute(path, endpoint, methods=_METHODS, include_in_schema=False)


def _by_method(endpoints: Mapping[str, Endpoint]) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        chosen = endpoints.get(_method(request))
        if chosen is None:
            raise _not_allowed(endpoints)
        return await chosen(request)

    return endpoint


def _served(types: Mapping[str, ServedType], request: Request) -> ServedType:
    served = types.get(request.path_params["type"])
    if served is None:
        told = f"There is no resource type {shown(request.path_params['type'])} here."
        raise refusal(404, told, code="not-supported")
    return served


def _call(request: Request, served: ServedType) -> Call:
    services = services_of(request)
    return Call(request, services, served, base_of(request, services))


def _method(request: Request) -> str:
    return "GET" if request.method == "HEAD" else request.method


def _not_allowed(methods: Mapping[str, object] | tuple[str, ...]) -> Exception:
    allowed = ", ".join(methods)
    told = f"This address answers: {allowed or 'nothing'}."
    return refusal(405, told, headers={"Allow": allowed})
