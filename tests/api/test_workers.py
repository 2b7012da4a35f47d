"""Several workers behind one port: they add up, they drain, and none is left behind."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from engines import postgres_address

from service.fhir.json import write

PATIENCE = 60.0
JSON = {"Content-Type": "application/fhir+json"}

pytestmark = pytest.mark.slow


class Served:
    """A service of two workers as it is started, and a client of it."""

    def __init__(self, store: str, folder: Path) -> None:
        root = Path(__file__).resolve().parents[2]
        self._log = folder / "serve.log"
        with self._log.open("wb") as lines:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "service", "serve", "--workers", "2", "--port", "0"],
                env={**os.environ, "PYTHONPATH": str(root), "AIRWAY_STORE": store},
                cwd=folder,
                stderr=lines,
                stdout=lines,
            )
        try:
            address = f"http://127.0.0.1:{self._port()}"
            self.client = httpx.Client(base_url=address, timeout=PATIENCE)
            wait_until(lambda: len(self.workers()) == 2 and self.ready(), self.told)
        except BaseException:
            self.process.kill()
            self.process.wait(PATIENCE)
            raise

    def _port(self) -> int:
        wait_until(lambda: re.search(r"http://127\.0\.0\.1:[1-9]", self.told()), self.told)
        found = re.search(r"http://127\.0\.0\.1:(\d+)", self.told())
        assert found
        return int(found.group(1))

    def told(self) -> str:
        return self._log.read_text()

    def ready(self) -> bool:
        try:
            return self.client.get("/health/ready").status_code == 200
        except httpx.TransportError:
            return False

    def workers(self) -> set[int]:
        """Processes that said they are up, and are."""
        started = re.findall(r"Started server process \[(\d+)\]", self.told())
        return {int(pid) for pid in started if is_alive(int(pid))}


def wait_until(met: Callable[[], object], told: Callable[[], str]) -> None:
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        if met():
            return
        time.sleep(0.05)
    pytest.fail(told())


def is_alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"


@pytest.fixture(params=["sqlite", "postgresql"])
def served(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Served]:
    file = tmp_path / "record.sqlite"
    started = Served(str(file) if request.param == "sqlite" else postgres_address(file), tmp_path)
    workers = started.workers()
    yield started
    started.client.close()
    if started.process.poll() is None:
        started.process.kill()
    started.process.wait(PATIENCE)
    wait_until(lambda: not any(map(is_alive, workers)), started.told)


def test_workers_share_port_record_and_counts_and_drain(served: Served) -> None:
    def put(number: int) -> int:
        child = {"resourceType": "Patient", "id": f"quill-{number}"}
        path = f"/fhir/Patient/quill-{number}"
        # A connection each, so that both workers get some.
        made = httpx.put(served.client.base_url.join(path), content=write(child), headers=JSON)
        return made.status_code

    with ThreadPoolExecutor(8) as clients:
        assert set(clients.map(put, range(40))) == {201}
    assert served.client.get("/fhir/Patient?_summary=count").json()["total"] == 40

    counts = served.client.get("/metrics").text
    line = 'airway_http_requests_total{method="PUT",route="/fhir/{type}/{id}",status="201"} 40.0'
    assert line in counts
    assert "quill" not in counts

    rows = b"".join(b'{"technique":"none","line":%d}\n' % number for number in range(2000))
    with ThreadPoolExecutor(1) as under_way:
        feed = {"Content-Type": "application/x-ndjson"}
        upload = under_way.submit(served.client.post, "/sessions", content=rows, headers=feed)
        time.sleep(0.2)
        served.process.send_signal(signal.SIGTERM)
        assert len(upload.result(PATIENCE).content.splitlines()) == 2000
    assert served.process.wait(PATIENCE) == 0
    assert "unexpected error" not in served.told()
    assert "quill" not in served.told()


def test_a_worker_that_dies_is_replaced_and_none_outlives_the_parent(served: Served) -> None:
    first, *_ = before = served.workers()
    os.kill(first, signal.SIGKILL)
    wait_until(lambda: len(served.workers() - before) == 1 and served.ready(), served.told)
    workers = served.workers()
    served.process.kill()
    wait_until(lambda: not any(map(is_alive, workers)), served.told)
