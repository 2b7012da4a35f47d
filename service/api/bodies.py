"""The resource in a request's body."""

from starlette.requests import Request

from service.api.headers import check_content_type
from service.api.outcomes import refusal
from service.api.served import Call
from service.fhir.json import JsonObject, read
from service.fhir.outcome import shown


async def body_of(request: Request) -> bytes:
    """The body as it arrived. Raises 415 when it is not JSON."""
    check_content_type(request)
    return await request.body()


def object_in(body: bytes, limit: int) -> JsonObject:
    """The JSON object in a body. Raises JsonError, or RestError 400 for another JSON value."""
    value = read(body, max_bytes=limit)
    if not isinstance(value, dict):
        raise refusal(400, "A resource (a JSON object) is expected.", code="structure")
    return value


def resource_in(body: bytes, call: Call) -> JsonObject:
    """The resource in a body. Raises JsonError, or RestError 400 when it is of another type."""
    resource = object_in(body, call.services.settings.max_body_bytes)
    kind = resource.get("resourceType")
    if kind != call.type:
        told = f"The address is that of {call.type}, the body says {shown(kind)}."
        raise refusal(400, told, expression="resourceType")
    return resource
