"""Where the interpreter of a running process spends its time: samples of its stacks, by part.

Only what holds the interpreter is counted: a thread that waits, for a disk or a database or for
another thread, has no part in it. Needs py-spy (``pip install py-spy``) and the right to look into
other processes.
"""

import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_RATE = 200
_PARTS = (
    ("service/fhir/search", "search rows"),
    ("service/fhir/fast", "validation"),
    ("service/fhir/validation", "validation"),
    ("service/fhir", "reading and writing JSON"),
    ("service/store", "store"),
    ("service/record", "record"),
    ("service/api", "HTTP roads"),
    ("service/", "HTTP server"),
    ("uvicorn", "HTTP server"),
    ("starlette", "HTTP server"),
    ("sqlalchemy", "SQLAlchemy"),
    ("psycopg", "driver and database"),
    ("concurrent", "threads"),
    ("anyio", "threads"),
    ("threading", "threads"),
    ("queue", "threads"),
    ("asyncio", "event loop"),
)
_IN_DRIVER = ("do_execute", "do_commit", "do_begin", "do_rollback")
"""What SQLAlchemy's last frame before SQLite's driver, which has no frames, is called."""

"""Beginnings of modules to names of parts; a sample counts for its deepest frame that is listed."""


@contextmanager
def watched(pid: int, seconds: float) -> Iterator[Counter]:
    """Shares by part of what the process did while the block ran; empty without py-spy.

    The block should last ``seconds``.
    """
    shares: Counter = Counter()
    spy = shutil.which("py-spy") or shutil.which("py-spy", path=Path(sys.executable).parent)
    if spy is None:
        yield shares
        return
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "stacks"
        options = ["--duration", str(max(1, round(seconds))), "--rate", str(_RATE)]
        options += ["--format", "raw", "--gil", "--output", str(file)]
        process = subprocess.Popen(
            [spy, "record", "--pid", str(pid), *options],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        yield shares
        process.wait()
        shares.update(_by_part(file.read_text()))


def _by_part(stacks: str) -> Counter:
    found: Counter = Counter()
    for line in stacks.splitlines():
        stack, _, times = line.rpartition(" ")
        found[_part(stack.split(";"))] += int(times)
    return found


def _part(frames: list[str]) -> str:
    for frame in reversed(frames):
        file = frame.partition("(")[2]
        if frame.startswith(_IN_DRIVER):
            return "driver and database"
        for beginning, name in _PARTS:
            if beginning in file:
                return name
    return "the rest"
