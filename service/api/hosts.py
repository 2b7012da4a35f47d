"""Names under which the service answers: those of this computer, and its own.

A web page may point a name of its own at 127.0.0.1 and then read what is answered there. With no
authorisation that would be every child's record, so a request under a foreign name is refused.
"""

from functools import lru_cache
from urllib.parse import urlsplit

from starlette.types import ASGIApp, Receive, Scope, Send

from service.api.headers import HEADERS
from service.api.outcomes import error_response, refusal
from service.settings import Settings, is_loopback


class OwnNamesOnly:
    """Refuses (421) what is asked under a name that is neither loopback nor ``base_url``'s.

    A service that may be reached from elsewhere and has no ``base_url`` answers to any name.
    """

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self._app = app
        self._answers_to = lru_cache(maxsize=256)(self._is_own)
        self._open = settings.base_url is None and not is_loopback(settings.host)
        self._own = _name(urlsplit(settings.base_url).netloc) if settings.base_url else None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and not self._answers_to(scope[HEADERS].get(b"host", b"")):
            told = "This service answers to the names of this computer, or to its base address."
            await error_response(refusal(421, told, code="forbidden"))(scope, receive, send)
            return
        await self._app(scope, receive, send)

    def _is_own(self, host: bytes) -> bool:
        name = _name(str(host, "latin-1"))
        return self._open or is_loopback(name) or name == self._own


def _name(host: str) -> str:
    """The host without its port and the brackets of an IPv6 address."""
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0].lower()
