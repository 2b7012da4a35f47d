"""Load over HTTP by wrk, the same for every contender. On Debian: ``apt install wrk``."""

import json
import shutil
import subprocess
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

_SCRIPT = Path(__file__).with_name("replay.lua")
CONNECTIONS = 16


@dataclass(frozen=True)
class Told:
    """What a run came to. ``p50`` and ``p99`` are milliseconds from request to answer."""

    requests: int
    seconds: float
    p50: float
    p99: float

    @property
    def rate(self) -> float:
        return self.requests / self.seconds


def is_there() -> bool:
    return shutil.which("wrk") is not None


def request(method: str, path: str, body: bytes = b"") -> bytes:
    """One line of the file that a run sends. JSON as we write it has no line ends."""
    return b"%b\t%b\t%b\n" % (method.encode(), path.encode(), body)


def keep(requests: Iterable[bytes], file: Path) -> Path:
    file.write_bytes(b"".join(requests))
    return file


def run(
    address: str,
    requests: Path,
    *,
    seconds: float,
    connections: int = CONNECTIONS,
    first: int = 0,
) -> Told:
    """Send what the file holds, again and again, for so long (in whole seconds).

    ``first`` is the line to begin with. Anything but success fails the benchmark.
    """
    if not is_there():
        raise SystemExit("The load comes from wrk, which is not here: apt install wrk")
    options = ["--threads", "1", "--connections", str(connections), "--timeout", "30s"]
    options += ["--duration", f"{max(1, round(seconds))}s", "--script", str(_SCRIPT)]
    given = [str(requests), str(first)]
    ran = subprocess.run(
        ["wrk", *options, address, "--", *given], capture_output=True, text=True, check=True
    )
    told = json.loads(ran.stdout.splitlines()[-1])
    assert told["refused"] == told["broken"] == 0, ran.stdout
    return Told(
        told["requests"], told["microseconds"] / 1e6, told["p50"] / 1000, told["p99"] / 1000
    )
