"""An HTTP client of the whole application in this process, and how its answers are read."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
from anyio.from_thread import BlockingPortal, start_blocking_portal

from service.fhir.json import read, write

ADDRESS = "http://127.0.0.1:8000"
BASE = f"{ADDRESS}/fhir"


class Client:
    """Paths begin at the root; header names are written with underscores."""

    def __init__(self, portal: BlockingPortal, app: Any) -> None:
        self._portal = portal
        transport = httpx.ASGITransport(app=app)
        self._client = httpx.AsyncClient(transport=transport, base_url=ADDRESS)

    def request(self, method: str, path: str, **options: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            return await self._client.request(method, path, **options)

        return self._portal.call(ask)

    def get(self, path: str, **headers: str) -> httpx.Response:
        return self.request("GET", path, headers=_names(headers))

    def delete(self, path: str, **headers: str) -> httpx.Response:
        return self.request("DELETE", path, headers=_names(headers))

    def send(self, method: str, path: str, body: Any, **headers: str) -> httpx.Response:
        """A resource, or text as it stands, as FHIR JSON."""
        content = body.encode() if isinstance(body, str) else write(body)
        named = {"content-type": "application/fhir+json"} | _names(headers)
        return self.request(method, path, content=content, headers=named)

    def post(self, path: str, body: Any, **headers: str) -> httpx.Response:
        return self.send("POST", path, body, **headers)

    def put(self, path: str, body: Any, **headers: str) -> httpx.Response:
        return self.send("PUT", path, body, **headers)

    def ids(self, query: str) -> list[str]:
        """Ids that a search finds, in the order of the answer."""
        answer = self.get(f"/fhir/{query}")
        assert answer.status_code == 200, answer.text
        found = resource(answer).get("entry", [])
        return [e["resource"]["id"] for e in found if e["search"]["mode"] == "match"]


@contextmanager
def client_of(app: Any) -> Iterator[Client]:
    with start_blocking_portal() as portal:
        yield Client(portal, app)


def resource(response: httpx.Response) -> Any:
    """The body as our reader has it: decimals with their digits."""
    return read(response.content)


def issues(response: httpx.Response) -> list[dict[str, Any]]:
    """The issues of an answer, which must be an OperationOutcome."""
    assert response.headers["content-type"] == "application/fhir+json", response.text
    outcome = resource(response)
    assert outcome["resourceType"] == "OperationOutcome"
    found: list[dict[str, Any]] = outcome["issue"]
    return found


def places(response: httpx.Response) -> list[str]:
    """Where the errors of an answer are."""
    found = [issue for issue in issues(response) if issue["severity"] in ("error", "fatal")]
    return [place for issue in found for place in issue.get("expression", [""])]


def _names(headers: dict[str, str]) -> dict[str, str]:
    return {name.replace("_", "-"): value for name, value in headers.items()}
