"""The processes that take part in a benchmark: which they are, and how much of a core they use."""

import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import psutil
import psycopg
from served_process import PATIENCE, ROOT, free_port


def listening_at(address: str) -> psutil.Process:
    """The process that answers at an address on this computer."""
    port = urlsplit(address).port
    return next(
        psutil.Process(one.pid)
        for one in psutil.net_connections("tcp4")
        if one.status == psutil.CONN_LISTEN and one.laddr.port == port
    )


def this_process() -> psutil.Process:
    return psutil.Process()


def database_of(address: str) -> psutil.Process:
    """The PostgreSQL server of a database on this computer; its sessions are its children."""
    with psycopg.connect(address) as connection:
        row = connection.execute("SHOW data_directory").fetchone()
    assert row is not None
    return psutil.Process(int((Path(row[0]) / "postmaster.pid").read_text().split()[0]))


def processor_seconds(process: psutil.Process) -> float:
    """Of a process and of its children, those that have ended too."""
    total = 0.0
    for one in (process, *process.children(recursive=True)):
        with suppress(psutil.NoSuchProcess):
            spent = one.cpu_times()
            total += spent.user + spent.system
    ended = process.cpu_times()
    return total + ended.children_user + ended.children_system


@contextmanager
def served_peer(bodies: Sequence[bytes], folder: Path) -> Iterator[str]:
    """The address of a bare Starlette application (``peer.py``) that answers these resources."""
    file, port = folder / "bodies", free_port()
    file.write_bytes(b"\n".join(bodies))
    command = [sys.executable, str(Path(__file__).with_name("peer.py")), str(file), str(port)]
    with (folder / "peer.log").open("wb") as log:
        process = subprocess.Popen(
            command, stdout=log, stderr=log, cwd=ROOT, env={"PYTHONPATH": str(ROOT)}
        )
    try:
        address = f"http://127.0.0.1:{port}"
        _wait(address)
        yield address
    finally:
        process.terminate()
        process.wait(PATIENCE)


def _wait(address: str) -> None:
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        with suppress(httpx.TransportError):
            httpx.get(address)
            return
        time.sleep(0.1)
    raise AssertionError("the peer did not start")
