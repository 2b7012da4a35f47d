"""The service as it is started: ``airway serve`` in a process of its own, at a free port."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx

PATIENCE = 60.0
ROOT = Path(__file__).resolve().parents[1]


@contextmanager
def served(store: str, folder: Path, **settings: str) -> Iterator[str]:
    """The address without ``/fhir`` of a service over the store (a file or a URL).

    ``settings`` are environment variables. Its log lies in ``folder``. Fails when it does not
    start, when a request of the whole visit ended with an unexpected error, and when it does not
    end in order once it is told to.
    """
    port = free_port()
    told = {**os.environ, "PYTHONPATH": str(ROOT), "AIRWAY_PORT": str(port), **settings}
    log = folder / "serve.log"
    with log.open("wb") as lines:
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "serve", "--store", store],
            env=told,
            cwd=folder,
            stderr=lines,
            stdout=lines,
        )
    try:
        address = f"http://127.0.0.1:{port}"
        _wait(address, process, log)
        yield address
        assert process.poll() is None, log.read_text()
    finally:
        process.terminate()
        try:
            process.wait(PATIENCE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(PATIENCE)
    assert process.returncode == 0, log.read_text()
    assert "unexpected error" not in log.read_text(), log.read_text()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait(address: str, process: "subprocess.Popen[bytes]", log: Path) -> None:
    until = time.monotonic() + PATIENCE
    while process.poll() is None and time.monotonic() < until:
        with suppress(httpx.TransportError):
            if httpx.get(f"{address}/health/ready").status_code == 200:
                return
        time.sleep(0.1)
    raise AssertionError(f"the service did not start: {log.read_text()}")
