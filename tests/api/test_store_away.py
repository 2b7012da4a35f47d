"""The store goes away under a running service, over a real socket: every road says 503, nothing is
half written, and the service goes on by itself when the store is back."""

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from api_client import client_of, resource
from engines import end, new_server, start_again, stop
from record_samples import observation, patient
from served_process import served
from trade_examples import programme, session

from service.api.app import create_app
from service.api.services import Services
from service.compose import build_record
from service.fhir.json import read, write
from service.store.postgres import _ONE_WRITER
from service.store.sqlite import SqliteStore

pytestmark = pytest.mark.slow

Json = dict[str, Any]
FHIR = {"content-type": "application/fhir+json"}
JSON = {"content-type": "application/json"}
NDJSON = {"content-type": "application/x-ndjson"}


def bundle(kind: str, *entries: tuple[str, str, Json | None]) -> Json:
    told: list[Json] = []
    for method, url, body in entries:
        told.append({"request": {"method": method, "url": url}})
        if body is not None:
            told[-1]["resource"] = body
    return {"resourceType": "Bundle", "type": kind, "entry": told}


ROADS: dict[str, tuple[str, str, bytes | None, dict[str, str]]] = {
    "read": ("GET", "/fhir/Patient/kept", None, {}),
    "version": ("GET", "/fhir/Patient/kept/_history/1", None, {}),
    "history": ("GET", "/fhir/Patient/kept/_history", None, {}),
    "history of all": ("GET", "/fhir/_history", None, {}),
    "search": ("GET", "/fhir/Observation?patient=Patient/kept", None, {}),
    "everything": ("GET", "/fhir/Patient/kept/$everything", None, {}),
    "last ones": (
        "GET",
        "/fhir/Observation/$lastn?patient=Patient/kept&category=therapy",
        None,
        {},
    ),
    "labels": ("GET", "/fhir/Patient/kept/$meta", None, {}),
    "create": ("POST", "/fhir/Observation", write(observation()), FHIR),
    "update": ("PUT", "/fhir/Patient/kept", write(patient(id="kept", gender="male")), FHIR),
    "patch": (
        "PATCH",
        "/fhir/Patient/kept",
        b'[{"op": "add", "path": "/active", "value": true}]',
        {"content-type": "application/json-patch+json"},
    ),
    "delete": ("DELETE", "/fhir/Patient/kept", None, {}),
    "transaction": (
        "POST",
        "/fhir",
        write(bundle("transaction", ("PUT", "Patient/lost", patient(id="lost")))),
        FHIR,
    ),
    "load": ("POST", "/fhir/$load", write(patient(id="lost")) + b"\n", NDJSON),
    "programme": ("POST", "/programmes", write(programme()), JSON),
    "sessions": ("POST", "/sessions", write(session()) + b"\n", NDJSON),
    "readiness": ("GET", "/health/ready", None, {}),
}


def ask(client: httpx.Client, name: str) -> httpx.Response:
    method, path, body, headers = ROADS[name]
    return client.request(method, path, content=body, headers=headers)


def assert_away(answer: httpx.Response, name: str) -> None:
    assert answer.status_code == 503, f"{name}: {answer.status_code} {answer.text}"
    outcome = read(answer.content)
    assert outcome["resourceType"] == "OperationOutcome", name
    assert {issue["code"] for issue in outcome["issue"]} == {"transient"}, name
    assert int(answer.headers["retry-after"]) > 0, name


@pytest.fixture(scope="module")
def server() -> Iterator[Any]:
    server = new_server()
    yield server
    end(server)


@pytest.fixture(scope="module")
def client(server: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    folder = tmp_path_factory.mktemp("served")
    with served(server.get_uri(), folder) as address, httpx.Client(base_url=address) as made:
        yield made
        assert '"error":"OperationalError' in (folder / "serve.log").read_text()


def everything(client: httpx.Client) -> list[tuple[str, str]]:
    """Every version that is there: type and id."""
    found: Json = read(client.get("/fhir/_history?_count=1000").content)
    return sorted(
        (one["resource"]["resourceType"], one["resource"]["id"])
        for one in found.get("entry", [])
        if one["resource"]["resourceType"] != "Provenance"
    )


def test_the_database_is_stopped_and_started(server: Any, client: httpx.Client) -> None:
    made = client.put("/fhir/Patient/kept", content=write(patient(id="kept")), headers=FHIR)
    assert made.status_code == 201
    before = everything(client)
    assert before == [("Patient", "kept")]
    stop(server)
    try:
        for name in ROADS:
            began = time.monotonic()
            assert_away(ask(client, name), name)
            assert time.monotonic() - began < 5
        asked = bundle(
            "batch",
            ("GET", "Patient/kept", None),
            ("GET", "Observation?status=final", None),
            ("PUT", "Patient/lost", patient(id="lost")),
        )
        batch = read(client.post("/fhir", content=write(asked), headers=FHIR).content)
        told = [entry["response"] for entry in batch["entry"]]
        assert [one["status"].partition(" ")[0] for one in told] == ["503"] * 3
        assert [one["outcome"]["issue"][0]["code"] for one in told] == ["transient"] * 3
        assert client.get("/health/live").status_code == 200
        assert client.get("/fhir/metadata").status_code == 200
    finally:
        start_again(server)
    assert client.get("/health/ready").status_code == 200
    assert client.get("/fhir/Patient/kept").status_code == 200
    assert everything(client) == before
    rows = write(session()) + b"\n"
    assert client.post("/sessions", content=rows, headers=NDJSON).status_code == 200
    put = client.put("/fhir/Patient/next", content=write(patient(id="next")), headers=FHIR)
    assert put.status_code == 201


def test_a_session_that_is_ended_within_a_unit(server: Any, client: httpx.Client) -> None:
    """A create that waits for its turn inside its unit of work, and is ended there by hand."""
    before = everything(client)
    with ThreadPoolExecutor(1) as pool, psycopg.connect(server.get_uri()) as other:
        other.execute("SELECT pg_advisory_xact_lock(%s)", (_ONE_WRITER,))
        waiting = pool.submit(ask, client, "transaction")
        ended: list[Any] = []
        while not ended:
            ended = other.execute(
                "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity "
                "WHERE wait_event_type = 'Lock' AND wait_event = 'advisory'"
            ).fetchall()
            time.sleep(0.05)
        assert_away(waiting.result(), "transaction")
    assert everything(client) == before
    assert ask(client, "transaction").status_code == 200
    assert sorted([*before, ("Patient", "lost")]) == everything(client)


# -- one file ------------------------------------------------------------------------------------


def test_a_file_that_others_hold_or_that_is_full(services: Services, tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "other.db", busy_seconds=0.1)
    other = SqliteStore(tmp_path / "other.db")
    record = build_record(store, services.validator, services.clock)
    with client_of(create_app(replace(services, record=record))) as client:
        assert client.put("/fhir/Patient/kept", patient(id="kept")).status_code == 201
        with other.begin():
            assert_away(client.put("/fhir/Patient/lost", patient(id="lost")), "locked")
            assert client.get("/fhir/Patient/kept").status_code == 200
        with store._writer.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
        long = patient(id="lost", name=[{"text": "x" * 900_000}])
        assert_away(client.put("/fhir/Patient/lost", long), "full")
        assert client.get("/fhir/Patient/lost").status_code == 404
        found = resource(client.get("/fhir/Patient"))
        assert [one["resource"]["id"] for one in found["entry"]] == ["kept"]
    store.close()
    other.close()
