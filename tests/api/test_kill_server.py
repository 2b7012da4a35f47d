"""The service is killed (SIGKILL) while sessions stream in and resources are created, on both
engines, several times over one store: every answer that was received is a resource kept, nothing
is half written."""

import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from random import Random
from typing import Any

import httpx
import pytest
import uvicorn
from engines import ENGINES
from killing import assert_sound, start
from record_samples import AUTHOR, patient
from trade_examples import programme, session

from service.api.app import create_app
from service.api.services import Services
from service.compose import build_record, open_services, system_clock
from service.fhir.json import read, write
from service.record import Record
from service.record.programmes import Programmes
from service.settings import Settings

pytestmark = pytest.mark.slow

KILLS = 3
SESSIONS = 1_500


@pytest.fixture(scope="module")
def services(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Services]:
    path = tmp_path_factory.mktemp("unused") / "record.sqlite"
    with open_services(Settings(store=path)) as opened:
        yield opened


def serve(services: Services, engine: str, folder: Path, told: Connection) -> None:
    """The body of the process that will be killed."""
    record = build_record(ENGINES[engine](folder), services.validator)
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        told.send(listening.getsockname()[1])
        config = uvicorn.Config(
            create_app(replace(services, record=record)), log_config=None, access_log=False
        )
        uvicorn.Server(config).run(sockets=[listening])


def session_rows(round_: int) -> bytes:
    rows = []
    for number in range(SESSIONS):
        hour, minute = divmod(number, 60)
        day = f"2024-{round_ + 1:02d}-{1 + hour // 24:02d}"
        start_ = f"{day}T{hour % 24:02d}:{minute:02d}"
        rows.append(
            session(
                id={"system": "https://diary.example/session", "value": f"s-{round_}-{number}"},
                start=f"{start_}:00+00:00",
                end=f"{start_}:30+00:00",
                regimen=None,
            )
        )
    return b"".join(write({n: v for n, v in row.items() if v is not None}) + b"\n" for row in rows)


class Client:
    """Sends until the service is gone; keeps what was answered."""

    def __init__(self, address: str, round_: int) -> None:
        self._address = address
        self._round = round_
        self.rows: list[dict[str, Any]] = []
        self.created: list[tuple[str, str]] = []

    def upload(self) -> None:
        head = {"content-type": "application/x-ndjson"}
        with suppress(httpx.TransportError), httpx.Client(timeout=30) as client:
            body = session_rows(self._round)
            with client.stream(
                "POST", f"{self._address}/sessions", content=body, headers=head
            ) as answer:
                assert answer.status_code == 200
                for line in answer.iter_lines():
                    self.rows.append(read(line))

    def create(self) -> None:
        head = {"content-type": "application/fhir+json"}
        with suppress(httpx.TransportError), httpx.Client(timeout=30) as client:
            for number in range(100_000):
                family = f"Wren-{self._round}-{number}"
                body = write(patient(name=[{"family": family}]))
                answer = client.post(f"{self._address}/fhir/Patient", content=body, headers=head)
                assert answer.status_code == 201
                self.created.append((answer.headers["location"], family))


def killed_once(services: Services, engine: str, folder: Path, round_: int) -> Client:
    process, heard = start(serve, services, engine, folder)
    client = Client(f"http://127.0.0.1:{heard.recv()}", round_)
    threads = [threading.Thread(target=work) for work in (client.upload, client.create)]
    for thread in threads:
        thread.start()
    until = time.monotonic() + 30
    while (len(client.rows) < 1 or len(client.created) < 5) and time.monotonic() < until:
        time.sleep(0.01)
    time.sleep(Random(round_).uniform(0, 0.4))  # noqa: S311 - when to kill is no secret
    os.kill(process.pid, signal.SIGKILL)
    for thread in threads:
        thread.join()
    process.join()
    assert 0 < len(client.rows) < SESSIONS, "killed before it was over"
    assert client.created
    return client


def check(record: Record, client: Client, round_: int) -> None:
    for row in client.rows:
        assert row["status"] == "accepted", row
        stored = read(record.read(AUTHOR, *row["reference"].split("/")).body)
        assert stored["identifier"][0]["value"] == f"s-{round_}-{row['row'] - 1}"
    for location, family in client.created:
        id_ = location.split("/Patient/")[1].split("/")[0]
        assert read(record.read(AUTHOR, "Patient", id_).body)["name"] == [{"family": family}]


@pytest.mark.parametrize("engine", ENGINES)
def test_an_answer_received_is_a_resource_kept(
    services: Services, engine: str, tmp_path: Path
) -> None:
    store = ENGINES[engine](tmp_path)
    record = build_record(store, services.validator, system_clock)
    plan = programme(id="home-1", start="2024-01-01")
    plan["child"]["birthDate"] = "2015-03-09"
    Programmes(record, system_clock).post(plan, AUTHOR)
    store.close()
    for round_ in range(KILLS):
        client = killed_once(services, engine, tmp_path, round_)
        store = ENGINES[engine](tmp_path)
        record = build_record(store, services.validator, system_clock)
        check(record, client, round_)
        assert_sound(store, record)
        store.close()
