"""The resource in a request's body, and where in it something is wrong."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Final

from starlette.requests import Request

from service.api.headers import check_content_type
from service.api.outcomes import RestError, refusal
from service.api.served import Call
from service.fhir.json import JsonObject, read
from service.fhir.outcome import Finding, shown
from service.fhir.positions import Text
from service.record.errors import Invalid, Malformed

SENT: Final = "airway.sent"
"""Where the scope of an entry of a batch has what the client sent, and where the entry is in it."""


class Sent:
    """A resource within a text that a client sent: the text itself, or what is at ``place``.

    Without a text it stands nowhere.
    """

    def __init__(self, text: Text | None, place: str = "") -> None:
        self._text = text
        self._place = place

    def inside(self, place: str) -> "Sent":
        """A resource in this one; ``place`` without the type of this one: ``entry[0].resource``."""
        return Sent(self._text, f"{self._place}.{place}" if self._place else place)

    def located(self, findings: Iterable[Finding]) -> list[Finding]:
        """The findings with their lines and columns in what was sent."""
        return list(findings) if self._text is None else self._text.located(findings, self._place)

    @contextmanager
    def locating(self) -> Iterator[None]:
        """Refusals of the resource say where in it something is wrong."""
        try:
            yield
        except RestError as error:
            raise RestError(error.status, self.located(error.findings), error.headers) from None
        except (Invalid, Malformed) as error:
            raise type(error)(self.located(error.findings)) from None


NOWHERE: Final = Sent(None)


def sent_in(request: Request, body: bytes) -> Sent:
    """What ``body``, which came with the request, is within what the client sent."""
    within: Sent | None = request.scope.get(SENT)
    return within or Sent(Text(body))


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
