"""The service as it is started: a process, a port, a file; and an ordinary HTTP client."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from service.settings import DANGER

START = (
    "from service.serving import serve; from service.settings import Settings; serve(Settings())"
)
PATIENCE = 30.0


def environment(tmp_path: Path, port: int, **more: str) -> dict[str, str]:
    own = {
        "AIRWAY_STORE": str(tmp_path / "folder" / "record.sqlite"),
        "AIRWAY_PORT": str(port),
        "PYTHONPATH": str(Path(__file__).resolve().parents[2]),
    }
    return {**os.environ, **own, **more}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def process(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], httpx.Client]]:
    port = free_port()
    started = subprocess.Popen(
        [sys.executable, "-c", START],
        env=environment(tmp_path, port),
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        text=True,
    )
    with httpx.Client(base_url=f"http://127.0.0.1:{port}") as client:
        _wait(client, started)
        yield started, client
    if started.poll() is None:
        started.kill()
        started.communicate()


def _wait(client: httpx.Client, started: subprocess.Popen[str]) -> None:
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until and started.poll() is None:
        try:
            if client.get("/health/ready").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.05)
    started.kill()
    pytest.fail(started.communicate()[1])


def test_a_session_over_a_socket(process: tuple[subprocess.Popen[str], httpx.Client]) -> None:
    started, client = process
    json_body = {"Content-Type": "application/fhir+json"}
    child = '{"resourceType":"Patient","id":"quill","multipleBirthInteger":2}'
    made = client.put("/fhir/Patient/quill", content=child, headers=json_body)
    assert made.status_code == 201
    assert made.headers["location"].endswith("/fhir/Patient/quill/_history/1")
    assert client.get(made.headers["location"]).content == made.content
    assert client.get("/fhir/Patient?_id=quill").json()["total"] == 1
    head = client.head("/fhir/Patient/quill")
    assert (head.status_code, head.content) == (200, b"")
    assert client.get("/fhir/Patient/quill%00%ff").status_code == 404
    assert client.get("/fhir/Patient?name=%F0%9F%99%82+x").status_code == 200
    assert client.post("/fhir", content=b"\xff\xfe", headers=json_body).status_code == 400

    started.send_signal(signal.SIGTERM)
    lines = [json.loads(line) for line in started.communicate(timeout=PATIENCE)[1].splitlines()]
    assert any("No authorisation yet" in line["event"] for line in lines)
    requests = [line for line in lines if line["event"] == "request"]
    assert {"/fhir/{type}/{id}", "/fhir/{type}"} <= {line["route"] for line in requests}
    assert all(line["status"] < 500 for line in requests)
    assert "quill" not in json.dumps(lines)


def test_it_does_not_start_for_other_computers_unless_the_danger_is_named(tmp_path: Path) -> None:
    wide = environment(tmp_path, free_port(), AIRWAY_HOST="0.0.0.0")  # noqa: S104 - is refused
    wide.pop(DANGER, None)
    refused = subprocess.run(
        [sys.executable, "-c", START],
        env=wide,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )
    assert refused.returncode != 0
    assert DANGER in refused.stderr
    assert not (tmp_path / "folder").exists(), "nothing was opened"
