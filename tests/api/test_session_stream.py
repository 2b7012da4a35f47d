"""Uploads over a socket: answers come while rows are still being sent, and nothing gets stuck."""

import json
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from http.client import HTTPResponse
from typing import Any

import httpx
import pytest
import uvicorn
from api_client import Client, client_of

from service.api.app import create_app
from service.api.services import Services
from service.fhir.json import write
from service.record import Actor
from service.record.programmes import Programmes
from service.record.sessions import BATCH
from service.settings import Settings

CHILD = {"system": "https://clinic.example/id/child", "value": "C-77"}
DESK = Actor("The clinic's desk")
NAME = "Clementine Thistledown"
PROGRAMME = {
    "id": "home-c-77",
    "child": {"identifier": [CHILD], "name": {"text": NAME}, "birthDate": "2023-02-03"},
    "author": {"name": {"text": "Isolde Thimblewick"}},
    "team": {"name": "Airway clearance team"},
    "start": "2031-01-01",
    "timeZone": [{"zone": "Europe/Paris"}],
    "regimen": [
        {
            "key": "blower",
            "technique": "opep",
            "healthState": "any",
            "schedule": {"frequency": 2, "period": 1, "periodUnit": "d"},
            "dose": {"basis": "cycles", "cycles": 6, "breaths": 10},
        }
    ],
}
NDJSON = {"content-type": "application/x-ndjson"}


def line(number: int) -> bytes:
    return (
        write(
            {
                "id": {"system": "https://clinic.example/id/app-entry", "value": str(number)},
                "source": "family-app",
                "child": CHILD,
                "technique": "opep",
                "start": f"2031-02-{number % 28 + 1:02d}T07:00:00+01:00",
                "recordedBy": "diary",
                "outcome": "complete",
            }
        )
        + b"\n"
    )


BATCH_OF_ROWS = b"".join(map(line, range(BATCH)))


@pytest.fixture
def port(services: Services, clock: Any) -> Iterator[int]:
    """The application behind a real server, with one programme."""
    Programmes(services.record, clock).post(PROGRAMME, DESK)
    listening = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(create_app(services), log_config=None))
    running = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    running.start()
    yield int(listening.getsockname()[1])
    server.should_exit = True
    running.join()


class Wire:
    """A connection that sends a chunked body bit by bit."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=20)
        head = (
            f"POST /sessions HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
            "Content-Type: application/x-ndjson\r\nTransfer-Encoding: chunked\r\n\r\n"
        )
        self.socket.sendall(head.encode())
        self._response: HTTPResponse | None = None

    def send(self, data: bytes) -> None:
        self.socket.sendall(f"{len(data):x}\r\n".encode() + data + b"\r\n")

    def finish(self) -> None:
        self.socket.sendall(b"0\r\n\r\n")

    def line(self) -> dict[str, Any]:
        if self._response is None:
            self._response = HTTPResponse(self.socket)
            self._response.begin()
            assert self._response.status == 200
        found: dict[str, Any] = json.loads(self._response.readline())
        return found

    def rest(self) -> bytes:
        assert self._response is not None
        return self._response.read()

    def close(self) -> None:
        if self._response is not None:
            self._response.close()
        self.socket.close()


@pytest.fixture
def wire(port: int) -> Iterator[Wire]:
    opened = Wire(port)
    yield opened
    opened.close()


def observations(services: Services) -> int:
    return services.record.total(DESK, "Observation")


def test_a_batch_is_answered_and_kept_before_the_next_row_is_sent(
    wire: Wire, services: Services
) -> None:
    wire.send(BATCH_OF_ROWS)
    answers = [wire.line() for _ in range(BATCH)]
    assert {answer["status"] for answer in answers} == {"accepted"}
    assert observations(services) == BATCH
    last = line(BATCH)
    wire.send(last[:40])
    wire.send(last[40:])
    wire.finish()
    assert wire.line()["row"] == BATCH + 1
    assert wire.rest() == b""
    assert observations(services) == BATCH + 1


def test_a_body_that_breaks_off_in_a_row_does_not_make_it_a_row(
    wire: Wire, services: Services, port: int
) -> None:
    wire.send(BATCH_OF_ROWS)
    for _ in range(BATCH):
        wire.line()
    cut_in_two = line(7777)
    wire.send(line(5555) + cut_in_two.rstrip(b"\n"))
    wire.close()
    answer = httpx.post(f"http://127.0.0.1:{port}/sessions", content=line(8888), headers=NDJSON)
    assert answer.status_code == 200, "the service goes on"
    assert observations(services) == BATCH + 1


def test_a_client_may_send_everything_before_it_reads(port: int) -> None:
    """More than any buffer on the way holds, in both directions: nobody waits for the other."""
    rows = 60_000
    body = (b"[" + b" " * 200 + b"]\n") * rows
    answer = httpx.post(f"http://127.0.0.1:{port}/sessions", content=body, headers=NDJSON)
    lines = answer.text.splitlines()
    assert len(lines) == rows
    assert json.loads(lines[-1])["row"] == rows
    assert len(answer.content) > 8_000_000


def test_a_body_beyond_the_limit_is_refused(services: Services) -> None:
    tight = replace(services, settings=Settings(max_feed_bytes=2048))
    for client in _clients(tight):
        sent = b"".join(map(line, range(10)))
        refused = client.request("POST", "/sessions", content=sent, headers=NDJSON)
        assert refused.status_code == 413
        assert refused.json()["resourceType"] == "OperationOutcome"


def _clients(services: Services) -> Iterator[Client]:
    with client_of(create_app(services)) as client:
        yield client


def test_nothing_of_a_child_is_in_the_log_lines(
    port: int, capfd: pytest.CaptureFixture[str]
) -> None:
    bad = line(1).replace(b'"opep"', b'"trombone"')
    httpx.post(f"http://127.0.0.1:{port}/sessions", content=line(1) + bad, headers=NDJSON)
    told, until = "", time.monotonic() + 10
    while "/sessions" not in told and time.monotonic() < until:
        time.sleep(0.01)  # the line is written after the answer
        told += capfd.readouterr().err
    assert "/sessions" in told
    for secret in (NAME, CHILD["value"], "trombone", "2031-02"):
        assert secret not in told
