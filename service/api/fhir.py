"""The roads below /fhir: one table of paths, methods and interactions, and who answers them.

What is served is what a road leads to; the CapabilityStatement is made from the same table.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from service.api import binaries, pretty, reading, searching, writing
from service.api.batches import Bundles
from service.api.capability import Capability
from service.api.outcomes import error_response, refusal
from service.api.places import PREFIX, TEMPLATE, Places
from service.api.reads import Reads
from service.api.served import Call, Handler, Operation, ServedType
from service.api.services import Services
from service.fhir.outcome import shown


@dataclass(frozen=True, slots=True)
class Road:
    """A path below /fhir, a method, and the FHIR interaction that it is.

    It is open for the types (or for the system as a whole, when the path names no type) that
    serve the interaction.
    """

    path: str
    method: str
    interaction: str
    handler: Handler


ROADS = (
    Road("", "GET", "search-system", searching.search_of_all),
    Road("/", "GET", "search-system", searching.search_of_all),
    Road("/_search", "POST", "search-system", searching.search_of_all_by_form),
    Road("/_history", "GET", "history-system", reading.history_of_all),
    Road("/{type}", "GET", "search-type", searching.search),
    Road("/{type}", "POST", "create", writing.create),
    Road("/{type}", "PUT", "update", writing.update),
    Road("/{type}", "PATCH", "patch", writing.patch),
    Road("/{type}", "DELETE", "delete", writing.delete),
    Road("/{type}/_search", "POST", "search-type", searching.search_by_form),
    Road("/{type}/_history", "GET", "history-type", reading.history_of_type),
    Road("/{type}/{id}", "GET", "read", reading.read),
    Road("/{type}/{id}", "PUT", "update", writing.update),
    Road("/{type}/{id}", "PATCH", "patch", writing.patch),
    Road("/{type}/{id}", "DELETE", "delete", writing.delete),
    Road("/{type}/{id}/_history", "GET", "history-instance", reading.history_of_instance),
    Road("/{type}/{id}/{inside}", "GET", "search-type", searching.search_within),
    Road("/{type}/{id}/{inside}/_search", "POST", "search-type", searching.search_within_by_form),
    Road("/{type}/{id}/_history/{version}", "GET", "vread", reading.vread),
)

_WAYS: Mapping[tuple[str, Handler], Handler] = {
    ("Binary", reading.read): binaries.read,
    ("Binary", reading.vread): binaries.vread,
    ("Binary", writing.create): binaries.create,
    ("Binary", writing.update): binaries.update,
}
"""The ways of a type that has its own."""

_CALLS = {
    "/${operation}": "on_system",
    "/{type}/${operation}": "on_type",
    "/{type}/{id}/${operation}": "on_instance",
}
"""Where operations are called, and which of their methods count there."""


class Roads:
    """Answers whatever is below /fhir, errors too; only our own mistakes are raised.

    ``types`` are the served types by name, ``whole`` the system.
    """

    def __init__(
        self,
        services: Services,
        types: Mapping[str, ServedType],
        whole: ServedType,
        record_reads: Reads,
        definition_reads: Reads,
    ) -> None:
        self._services = services
        self._types = types
        self._served = {**types, "": whole}
        self._reads = {False: record_reads, True: definition_reads}
        roads = (
            *ROADS,
            *_own_roads(
                Capability(types, whole, services.clock()), Bundles(types, record_reads, self)
            ),
        )
        self._places = Places([*(road.path for road in roads), *_CALLS])
        self._open = {
            (served.name, template): {
                road.method: _WAYS.get((served.name, road.handler), road.handler)
                for road in roads
                if road.path == template and road.interaction in served.interactions
            }
            for served in self._served.values()
            for template in dict.fromkeys(road.path for road in roads)
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        try:
            answer = await self._answer(request)
        except Exception as error:
            answer = error_response(error)
        if b"_pretty" in scope["query_string"]:
            answer = pretty.as_asked(request, answer)
        await answer(scope, receive, send)

    async def _answer(self, request: Request) -> Response:
        scope = request.scope
        found = self._places.find(scope["path"])
        if found is None:
            raise refusal(404, "There is nothing at this address.")
        template, scope["path_params"] = found
        scope[TEMPLATE] = f"{PREFIX}{template}"
        name = scope["path_params"].get("type", "")
        served = self._served.get(name)
        if served is None or ("{type}" in template) != bool(name):
            raise refusal(
                404, f"There is no resource type {shown(name)} here.", code="not-supported"
            )
        handlers = self._handlers(served, template, scope["path_params"])
        handler = handlers.get(scope["method"])
        if handler is None:
            raise _not_allowed(handlers)
        reads = self._reads[served.shipped]
        return await handler(Call(request, self._services, served, reads, self._types))

    def _handlers(
        self, served: ServedType, template: str, parts: Mapping[str, str]
    ) -> Mapping[str, Handler]:
        """Who answers at this address, by method."""
        if template not in _CALLS:
            return self._open[served.name, template]
        name = parts["operation"]
        operation = served.operations.get(name)
        methods = () if operation is None else _methods(operation, template)
        if operation is None or not methods:
            told = f"There is no operation {shown(f'${name}')} at this address."
            raise refusal(404, told, code="not-supported")
        return dict.fromkeys(methods, operation.handler)


def _own_roads(capability: Capability, bundles: Bundles) -> tuple[Road, ...]:
    """The roads that answer from the table itself."""

    async def metadata(call: Call) -> Response:
        return await capability.answer(call.request)

    async def bundle(call: Call) -> Response:
        return await bundles.answer(call.request)

    return (
        Road("/metadata", "GET", "capabilities", metadata),
        Road("", "POST", "transaction", bundle),
        Road("/", "POST", "transaction", bundle),
    )


def _methods(operation: Operation, template: str) -> tuple[str, ...]:
    methods: tuple[str, ...] = getattr(operation, _CALLS[template])
    return methods


def _not_allowed(handlers: Mapping[str, Handler]) -> Exception:
    allowed = ", ".join([*handlers, *(["HEAD"] if "GET" in handlers else [])])
    told = f"This address answers: {allowed or 'nothing'}."
    return refusal(405, told, headers={"Allow": allowed})
