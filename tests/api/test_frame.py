"""The frame of the service: who may reach it, health, ids, limits, log lines, errors."""

import asyncio
import json
import re
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
from api_client import Client, client_of, issues
from engines import postgres_address
from fastapi import FastAPI
from pydantic import SecretStr
from sqlalchemy.engine import make_url
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from structlog.testing import capture_logs

from service.api import outcomes
from service.api.app import create_app
from service.api.middleware import BrokenAnswerError, Surround
from service.api.services import Services
from service.compose import build_record, open_store
from service.settings import OpenAccessError, Settings

CHILD = "Zebedee-Quill"
"""Stands for whatever must not be told."""


def test_the_service_lives_and_its_store_can_be_read(client: Client) -> None:
    assert client.get("/health/live").json() == {"status": "live"}
    assert client.get("/health/ready").json() == {"status": "ready"}


def test_a_store_that_cannot_be_reached_is_told_and_the_process_lives(
    services: Services, tmp_path: Path
) -> None:
    address = postgres_address(tmp_path / "lost")
    with open_store(SecretStr(address)) as store:
        lost = replace(services, record=build_record(store, services.validator, services.clock))
        with client_of(create_app(lost)) as client:
            assert client.get("/health/ready").status_code == 200
            with psycopg.connect(postgres_address(tmp_path), autocommit=True) as other:
                other.execute(f"DROP DATABASE {make_url(address).database} WITH (FORCE)")
            answer = client.get("/health/ready")
            assert (answer.status_code, issues(answer)[0]["code"]) == (503, "transient")
            assert client.get("/health/live").status_code == 200


def test_every_start_says_who_may_reach_the_record(services: Services) -> None:
    app = create_app(services).own

    async def start() -> None:
        async with app.router.lifespan_context(app):
            pass

    with capture_logs() as lines:
        asyncio.run(start())
    assert [line["log_level"] for line in lines] == ["warning"]
    assert "No authorisation yet" in lines[0]["event"]


def test_no_application_is_made_for_other_computers_unasked(services: Services) -> None:
    wide = Settings(host="192.0.2.1")
    with pytest.raises(OpenAccessError):
        create_app(replace(services, settings=wide))


def test_the_log_line_has_the_template_and_nothing_of_the_child(
    client: Client, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    answer = client.get(f"/fhir/Patient/{CHILD}?_format=json")
    client.get(f"/fhir/Patient?name={CHILD}")
    client.get(f"/{CHILD}")
    client.put(f"/fhir/Patient/{CHILD}", {"resourceType": "Patient", "id": CHILD})
    client.get("/health/live")  # by now the lines of those before are written
    lines = [json.loads(line) for line in capfdbinary.readouterr().err.splitlines()][:4]
    assert [line["route"] for line in lines] == [
        "/fhir/{type}/{id}",
        "/fhir/{type}",
        "unknown",
        "/fhir/{type}/{id}",
    ]
    assert [line["status"] for line in lines] == [404, 200, 404, 201]
    assert lines[0]["request_id"] == answer.headers["x-request-id"]
    assert CHILD not in str(lines)


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8000", 200),
        ("localhost", 200),
        ("[::1]:8000", 200),
        ("record.example", 200),
        ("page.example", 421),
        ("localhost.page.example:8000", 421),
        ("127.0.0.1.page.example", 421),
        ("", 421),
    ],
)
def test_a_web_page_cannot_give_the_service_a_name_of_its_own(
    services: Services, host: str, status: int
) -> None:
    own = Settings(base_url="https://record.example")
    with client_of(create_app(replace(services, settings=own))) as client:
        assert client.get("/fhir/metadata", host=host).status_code == status


def test_an_open_service_answers_to_any_name_until_it_has_one_of_its_own(
    services: Services,
) -> None:
    def status(base_url: str | None = None) -> int:
        wide = Settings(
            host="192.0.2.1", allow_open_access_beyond_this_computer=True, base_url=base_url
        )
        with client_of(create_app(replace(services, settings=wide))) as client:
            return client.get("/health/live", host="ward.example").status_code

    assert status() == 200
    assert status(base_url="https://record.example") == 421
    assert status(base_url="https://ward.example:8443") == 200


def test_links_begin_with_the_base_that_is_set_else_with_the_address_asked(
    services: Services,
) -> None:
    def self_link(settings: Settings) -> str:
        with client_of(create_app(replace(services, settings=settings))) as client:
            answer = client.get("/fhir/Patient", host="127.0.0.1:9")
        return str(answer.json()["link"][0]["url"])

    assert self_link(Settings()).startswith("http://127.0.0.1:9/fhir/Patient?")
    own = Settings(base_url="https://record.example/clinic/")
    assert self_link(own).startswith("https://record.example/clinic/fhir/Patient?")


def test_a_body_beyond_the_limit_is_refused_announced_or_not(services: Services) -> None:
    small = Settings(max_body_bytes=1024)
    app = create_app(replace(services, settings=small))

    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(20):
            yield b" " * 100

    with client_of(app) as client:
        long = client.post("/fhir/Patient", " " * 2000)
        streamed = client.request(
            "POST",
            "/fhir/Patient",
            content=pieces(),
            headers={"Content-Type": "application/fhir+json"},
        )
    for answer in (long, streamed):
        assert answer.status_code == 413
        assert issues(answer)[0]["code"] == "too-long"


def surrounded() -> FastAPI:
    """An application that breaks, with our frame around it."""
    app = FastAPI(openapi_url=None)
    app.add_middleware(Surround, limit_of=lambda _: 1000)
    outcomes.install(app)

    async def broken(_: Request) -> Response:
        raise RuntimeError(CHILD)

    async def broken_later(_: Request) -> Response:
        async def body() -> AsyncIterator[bytes]:
            yield b"one"
            raise RuntimeError(CHILD)

        return StreamingResponse(body())

    app.add_route("/broken", broken)
    app.add_route("/later", broken_later)
    return app


def test_our_own_mistake_is_answered_without_saying_what_it_was() -> None:
    with capture_logs() as lines, client_of(surrounded()) as client:
        answer = client.get("/broken")
    assert answer.status_code == 500
    assert CHILD not in answer.text
    assert answer.headers["x-request-id"] in issues(answer)[0]["diagnostics"]
    failure = next(line for line in lines if line["log_level"] == "error")
    assert failure["error"] == "RuntimeError"
    assert re.search(r"test_frame\.py:\d+ broken$", failure["frames"][-1])
    assert CHILD not in str(lines)


def test_an_answer_that_breaks_off_breaks_the_connection() -> None:
    with client_of(surrounded()) as client, pytest.raises(BrokenAnswerError) as broken:
        client.get("/later")
    assert CHILD not in str(broken.value)


def test_what_is_not_there_is_said_in_the_same_form(client: Client) -> None:
    assert issues(client.get("/nowhere"))[0]["code"] == "not-found"
    assert client.send("DELETE", "/health/live", "").status_code == 405
    assert issues(client.send("DELETE", "/health/live", ""))[0]["code"] == "not-supported"


def test_openapi_describes_our_own_roads(client: Client) -> None:
    paths = client.get("/openapi.json").json()["paths"]
    assert "/health/ready" in paths
    assert not any(path.startswith("/fhir") for path in paths)


def test_the_page_of_our_roads_needs_nothing_from_elsewhere(client: Client) -> None:
    page = client.get("/docs")
    loaded = re.findall(r'(?:src|href)="([^"]+)"', page.text)
    assert len(loaded) == 4
    assert all(address.startswith("/") for address in loaded)
    for address in ["/openapi.json", *loaded]:
        assert client.get(address).status_code == 200, address
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "http" not in policy
    assert "unsafe" not in policy
    assert client.get("/docs/..%2f__init__.py").status_code == 404
