"""The whole application in this process: a new store, our profiles, a clock that is set."""

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal

from service.api.app import create_app
from service.api.services import Services
from service.compose import open_services
from service.fhir.json import read, write
from service.settings import Settings

BASE = "http://record.example"


class Clock:
    """Stands still until it is moved."""

    def __init__(self) -> None:
        self.now = datetime(2031, 3, 9, 12, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def move(self, **by: float) -> None:
        self.now += timedelta(**by)


class Client:
    """An HTTP client of the application, without a socket. Paths begin at the root."""

    def __init__(self, portal: BlockingPortal, app: Any) -> None:
        self._portal = portal
        transport = httpx.ASGITransport(app=app)
        self._client = httpx.AsyncClient(transport=transport, base_url=BASE)

    def request(self, method: str, path: str, **options: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            return await self._client.request(method, path, **options)

        return self._portal.call(ask)

    def get(self, path: str, **headers: str) -> httpx.Response:
        return self.request("GET", path, headers=_names(headers))

    def send(self, method: str, path: str, body: Any, **headers: str) -> httpx.Response:
        """A resource, or bytes as they are, as FHIR JSON."""
        content = body if isinstance(body, bytes) else write(body)
        named = {"Content-Type": "application/fhir+json"} | _names(headers)
        return self.request(method, path, content=content, headers=named)

    def post(self, path: str, body: Any, **headers: str) -> httpx.Response:
        return self.send("POST", path, body, **headers)

    def put(self, path: str, body: Any, **headers: str) -> httpx.Response:
        return self.send("PUT", path, body, **headers)


def _names(headers: dict[str, str]) -> dict[str, str]:
    return {name.replace("_", "-"): value for name, value in headers.items()}


def resource(response: httpx.Response) -> Any:
    """The body as our reader has it: decimals with their digits."""
    return read(response.content)


def issues(response: httpx.Response) -> list[dict[str, Any]]:
    """The issues of an answer, which must be an OperationOutcome."""
    assert response.headers["content-type"] == "application/fhir+json"
    outcome = resource(response)
    assert outcome["resourceType"] == "OperationOutcome"
    found: list[dict[str, Any]] = outcome["issue"]
    return found


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(store=tmp_path / "record.sqlite")


@pytest.fixture
def services(settings: Settings, clock: Clock) -> Iterator[Services]:
    with open_services(settings, clock) as opened:
        yield opened


@pytest.fixture
def client(services: Services) -> Iterator[Client]:
    with ExitStack() as stack:
        portal = stack.enter_context(start_blocking_portal())
        yield Client(portal, create_app(services))
