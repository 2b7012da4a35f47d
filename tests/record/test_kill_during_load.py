"""The service is killed (SIGKILL) in the middle of a load of 6,000 rows, twenty times.

Every answer line that the client received is a stored session, and nothing is half-written: bodies,
versions, search index, outbox and Provenance agree after each kill.
"""

import json
import multiprocessing
import os
import shutil
import signal
import socket
import sqlite3
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from http.client import HTTPException, HTTPResponse
from itertools import islice
from pathlib import Path
from random import Random
from typing import Any

import pytest
import uvicorn
from search_language import found_by

from service.api.app import create_app
from service.api.services import Services
from service.clinic import clinic_module
from service.compose import build_record, open_services, open_store, system_clock
from service.fhir.json import read, write
from service.fhir.search.terms import Condition, TokenValue
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import JsonLines, rows_of
from service.record import Actor, Record
from service.record.load import csv_feed
from service.record.programmes import Programmes
from service.record.sessions import BATCH, Upload
from service.settings import Settings

pytestmark = pytest.mark.slow

KILLS = 20
ROWS = 6_000
NURSE = Actor("A nurse")
CLINIC = clinic_module().invent()


def session_rows() -> Iterator[bytes]:
    """Session documents of the invented clinic, each once, as lines of JSON."""
    for feed in CLINIC.feeds:
        if feed.name[:2] in ("10", "11", "20", "30"):
            reader = csv_feed(feed.column_map) if feed.column_map else JsonLines()
            for row in rows_of(reader, lines_of([feed.data])):
                yield write(row.document) + b"\n"


LINES = list(islice(session_rows(), ROWS))


@dataclass(frozen=True)
class Ready:
    """A service that can be started at once, and a store that already has the programmes."""

    services: Services
    store: Path


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ready]:
    folder = tmp_path_factory.mktemp("ready")
    with open_services(Settings(store=folder / "unused.sqlite")) as services:
        path = folder / "programmes.sqlite"
        with open_store(path) as store:
            programmes = Programmes(
                build_record(store, services.validator, system_clock), system_clock
            )
            for posting in CLINIC.programmes:
                if "changeReason" not in posting.document:
                    programmes.post(posting.document, NURSE)
        yield Ready(services, path)


def serve(services: Services, path: Path, listening: socket.socket) -> None:
    """The body of the process that will be killed."""
    with open_store(path) as store:
        own = replace(services, record=build_record(store, services.validator))
        config = uvicorn.Config(create_app(own), log_config=None, access_log=False)
        uvicorn.Server(config).run(sockets=[listening])


def start(services: Services, path: Path) -> tuple[Any, int]:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = int(listening.getsockname()[1])
        process = multiprocessing.get_context("fork").Process(
            target=serve, args=(services, path, listening), daemon=True
        )
        process.start()
    return process, port


def upload_until_killed(
    port: int, process: Any, after: int, seconds: float
) -> list[dict[str, Any]]:
    """Sends all rows while reading answers; gives the lines that came whole.

    The service is killed ``seconds`` after the answer number ``after`` came.
    """
    body = b"".join(LINES)
    head = (
        f"POST /sessions HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Length: {len(body)}\r\n"
        "Content-Type: application/x-ndjson\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", port), timeout=30) as connection:
        sender = threading.Thread(target=send, args=(connection, head.encode() + body))
        killer = threading.Timer(seconds, os.kill, (process.pid, signal.SIGKILL))
        sender.start()
        received = []
        for line in answer_lines(connection):
            received.append(line)
            if len(received) == after:
                killer.start()
        for thread in (sender, killer):
            thread.join()
    process.join()
    assert process.exitcode == -signal.SIGKILL
    return received


def send(connection: socket.socket, data: bytes) -> None:
    with suppress(OSError):  # the other end is killed
        connection.sendall(data)


def answer_lines(connection: socket.socket) -> Iterator[dict[str, Any]]:
    """The lines that arrived whole."""
    response = HTTPResponse(connection)
    with suppress(OSError, HTTPException):
        response.begin()
        assert response.status == 200
        while (line := response.readline()).endswith(b"\n"):
            yield json.loads(line)


def test_a_line_received_is_a_session_kept(ready: Ready, tmp_path: Path) -> None:
    moments = Random(20)  # noqa: S311 - when to kill is no secret
    reached = [
        killed_once(
            ready, tmp_path / f"{kill}.sqlite", moments.randint(1, 300), moments.uniform(0, 0.4)
        )
        for kill in range(KILLS)
    ]
    assert max(reached) < ROWS, "each load was killed before it was over"
    assert len(set(reached)) >= 3, "the kills came at different points"


def killed_once(ready: Ready, path: Path, after: int, seconds: float) -> int:
    """Loads, kills, looks. Gives how many answers had come."""
    shutil.copy(ready.store, path)
    process, port = start(ready.services, path)
    received = upload_until_killed(port, process, after, seconds)
    with open_store(path) as store:
        record = build_record(store, ready.services.validator)
        for line in received:
            assert line["status"] == "accepted"
            check_is_kept(record, line)
    check_nothing_is_half_written(path)
    return len(received)


def test_what_was_cut_off_can_be_sent_again(ready: Ready, tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    shutil.copy(ready.store, path)
    process, port = start(ready.services, path)
    received = upload_until_killed(port, process, BATCH, 0.2)
    with open_store(path) as store:
        record = build_record(store, ready.services.validator)
        again = Upload(record, NURSE, received=system_clock())
        answers = list(again.take(rows_of(JsonLines(), lines_of(LINES[: len(received) + BATCH]))))
        kept = [answer.status for answer in answers[: len(received)]]
        assert kept == ["duplicate"] * len(received)
        rest = {answer.status for answer in answers[len(received) :]}
        assert rest <= {"accepted", "duplicate"}
        assert record.total(NURSE, "Observation") == len(answers)


def check_is_kept(record: Record, line: dict[str, Any]) -> None:
    """The Observation of a row is there, says what the row said, and is found by its identifier."""
    row = read(LINES[line["row"] - 1])
    type_, _, id_ = line["reference"].partition("/")
    stored = read(record.read(NURSE, type_, id_).body)
    assert stored["effectivePeriod"]["start"] == row["start"]
    assert stored["subject"]["identifier"] == row["child"]
    if "id" in row:
        token = TokenValue(row["id"]["system"], row["id"]["value"])
        found = record.search(NURSE, "Observation", [Condition("identifier", "token", (token,))])
        assert [version.id for version in found.versions] == [id_]


def check_nothing_is_half_written(path: Path) -> None:
    """Straight from the file: each version has an outbox line and a Provenance, each resource its
    versions up to the current one and its index rows, and nothing else has any."""
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert file.execute("PRAGMA foreign_key_check").fetchall() == []
        current = "SELECT r.key, v.body FROM resource r JOIN version v ON v.number = r.current"
        bodies = {key: read(body) for key, body in file.execute(current)}
        assert file.execute("SELECT count(*) FROM resource").fetchone() == (len(bodies),)
        versions = file.execute("SELECT number, body FROM version ORDER BY number").fetchall()
        told = file.execute("SELECT number FROM outbox ORDER BY number").fetchall()
        assert told == [(number,) for number, _ in versions]
        indexed = Counter(
            key
            for table in ("token", "reference", "date", "string", "quantity", "uri")
            for (key,) in file.execute(f"SELECT resource FROM {table}")  # noqa: S608
        )
    assert indexed == Counter({key: len(found_by(body)) for key, body in bodies.items()})
    written = [read(body) for _, body in versions]
    names = Counter(named(body, body["meta"]["versionId"]) for body in written)
    assert names == Counter(
        named(body, number)
        for body in bodies.values()
        for number in range(1, int(body["meta"]["versionId"]) + 1)
    )
    recorded = Counter(
        target["reference"]
        for body in written
        if body["resourceType"] == "Provenance"
        for target in body["target"]
    )
    assert recorded == Counter(name for name in names if not name.startswith("Provenance/"))


def named(body: dict[str, Any], version: str | int) -> str:
    return f"{body['resourceType']}/{body['id']}/_history/{version}"
