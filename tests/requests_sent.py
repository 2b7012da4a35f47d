"""Patches, entries and Bundles as a client sends them, and many requests under way together."""

from base64 import b64encode
from typing import Any

import anyio
import httpx
from api_client import ADDRESS, Client, resource

from service.api.app import create_app
from service.api.services import Services
from service.fhir.json import write

SESSIONS = "https://example.org/acw/session"
JSON_PATCH = "application/json-patch+json"


def entry(
    method: str,
    url: str,
    body: dict[str, Any] | None = None,
    full_url: str | None = None,
    **more: str,
) -> dict[str, Any]:
    made: dict[str, Any] = {"request": {"method": method, "url": url, **more}}
    if body is not None:
        made["resource"] = body
    if full_url is not None:
        made["fullUrl"] = full_url
    return made


def bundle(kind: str, *entries: Any) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def statuses(answer: Any) -> list[str]:
    return [part["response"]["status"].split()[0] for part in resource(answer)["entry"]]


def observation(**rest: Any) -> dict[str, Any]:
    head: dict[str, Any] = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "session"},
        "subject": {"reference": "Patient/p1"},
        "component": [{"code": {"text": "pressure"}, "valueQuantity": {"value": 12}}],
    }
    return head | rest


def session(number: str, **rest: Any) -> dict[str, Any]:
    return observation(identifier=[{"system": SESSIONS, "value": number}], **rest)


def patch(
    client: Client, path: str, operations: Any, kind: str = JSON_PATCH, **headers: str
) -> Any:
    return client.send("PATCH", path, operations, content_type=kind, **headers)


def walk(kind: str, path: str, **rest: Any) -> dict[str, Any]:
    """Parameters of one FHIRPath Patch operation; ``value`` is an object with a typed value."""
    parts: list[dict[str, Any]] = [{"name": "type", "valueCode": kind}]
    parts.append({"name": "path", "valueString": path})
    for name, given in rest.items():
        typed = given if name == "value" else {f"value{_KINDS[type(given)]}": given}
        parts.append({"name": name} | typed)
    operation = {"name": "operation", "part": parts}
    return {"resourceType": "Parameters", "parameter": [operation]}


_KINDS = {str: "String", int: "Integer"}


def binary(operations: Any) -> dict[str, Any]:
    data = b64encode(write(operations)).decode()
    return {"resourceType": "Binary", "contentType": JSON_PATCH, "data": data}


def at_once(services: Services, requests: list[tuple[str, str, Any, dict[str, str]]]) -> list[Any]:
    """The answers to requests that are all under way together."""
    answers: list[Any] = []

    async def all_of_them() -> None:
        transport = httpx.ASGITransport(app=create_app(services))
        async with (
            httpx.AsyncClient(transport=transport, base_url=ADDRESS) as client,
            anyio.create_task_group() as group,
        ):

            async def ask(method: str, path: str, body: Any, headers: dict[str, str]) -> None:
                named = {"content-type": "application/fhir+json"} | headers
                answers.append(
                    await client.request(method, path, content=write(body), headers=named)
                )

            for request in requests:
                group.start_soon(ask, *request)

    anyio.run(all_of_them)
    return answers
