"""Entries and Bundles as a client sends them, and many requests under way together."""

from typing import Any

import anyio
import httpx
from api_client import ADDRESS, resource

from service.api.app import create_app
from service.api.services import Services
from service.fhir.json import write


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
