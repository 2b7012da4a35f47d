"""A bulk load is killed, or the database under it; what was told as kept is kept, nothing is half.

Started again, it ends as one that nobody disturbed.
"""

import os
import signal
import threading
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path
from random import Random
from typing import Any

import psycopg
import pytest
from engines import ENGINES, end, new_server, start_again
from killing import (
    assert_kept,
    assert_nobody_is_left,
    assert_sound,
    heard_until_the_end,
    load,
    start,
)
from record_samples import AUTHOR, numbered

from service.compose import build_maker, build_record, system_clock
from service.fhir.json import JsonObject, write
from service.record import Record
from service.record.bulk import Loading, Maker, rows_of
from service.store.contract import Store
from service.store.postgres import PostgresStore

pytestmark = pytest.mark.slow

ROWS = 4_000
KILLS = 4
SENT: list[JsonObject] = [numbered(number, id=f"o-{number}") for number in range(ROWS)]
TEXT = b"".join(write(row) + b"\n" for row in SENT)


@cache
def maker() -> Maker:
    return build_maker()


def record_over(store: Store) -> Record:
    return build_record(store, maker().validator, system_clock)


def killed(opened: Callable[[], Store], kill: Callable[[Any], None], after: int) -> int:
    """Loads until ``kill`` is called, soon after the batch of row ``after`` was told as kept.

    Gives the last row that was told.
    """
    process, heard = start(load, opened, record_over, maker(), TEXT)
    killer: list[threading.Timer] = []

    def on(up_to: int) -> None:
        if up_to >= after and not killer:
            killer.append(threading.Timer(Random(up_to).uniform(0, 0.1), kill, [process]))  # noqa: S311
            killer[0].start()

    told = heard_until_the_end(heard, on)
    killer[0].join()
    process.join(60)
    assert process.exitcode is not None, "it ends"
    assert_nobody_is_left(process.pid)
    return int(told[-1])


def kill_loader(process: Any) -> None:
    os.kill(process.pid, signal.SIGKILL)


def check(store: Store, told: int) -> None:
    record = record_over(store)
    assert_kept(record, SENT[:told])
    assert_sound(store, record)


def check_started_again(store: Store) -> None:
    """The rest is loaded, and the whole is what was sent, each in its first version."""
    record = record_over(store)
    kept = record.total(AUTHOR, "Observation")
    told = list(Loading(record, AUTHOR, build_maker, here=maker(), workers=1).take(rows_of([TEXT])))
    assert sum(one.done["unchanged"] for one in told) == kept < ROWS
    assert sum(one.done["created"] for one in told) == ROWS - kept
    assert_kept(record, SENT)
    assert record.total(AUTHOR, "Observation") == ROWS
    assert_sound(store, record)
    assert all(event.version == 1 for event in record.events(0, 10 * ROWS))


@pytest.mark.parametrize("engine", ENGINES)
def test_the_loading_process_is_killed(engine: str, tmp_path: Path) -> None:
    reached = []
    for number in range(KILLS):
        folder = tmp_path / str(number)
        folder.mkdir()
        opened = partial(ENGINES[engine], folder)
        opened().close()  # made before the process begins, which may then fork at once
        reached.append(killed(opened, kill_loader, 250 * (1 + 3 * number)))
        store = opened()
        check(store, reached[-1])
        store.close()
    assert len(set(reached)) >= 3, "the kills came at different points"
    assert max(reached) < ROWS, "each load was killed before it was over"
    store = opened()
    check_started_again(store)
    store.close()


# -- the database itself -------------------------------------------------------------------------


@pytest.fixture
def server() -> Iterator[Any]:
    """A PostgreSQL of its own, to be killed."""
    server = new_server()
    yield server
    end(server)


def kill_postmaster(server: Any, _: Any) -> None:
    os.kill(server.get_pid(), signal.SIGKILL)


def kill_backend(server: Any, _: Any) -> None:
    """One session dies; the server ends all others too and recovers."""
    with psycopg.connect(server.get_uri(), autocommit=True) as own:
        others = own.execute(
            "SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend' "
            "AND pid <> pg_backend_pid()"
        ).fetchall()
        os.kill(others[0][0], signal.SIGKILL)


@pytest.mark.parametrize("kill", [kill_postmaster, kill_backend])
def test_the_database_is_killed(server: Any, kill: Callable[[Any, Any], None]) -> None:
    opened = partial(PostgresStore, server.get_uri())
    opened().close()
    told = killed(opened, partial(kill, server), 1_000)
    assert told < ROWS
    start_again(server)
    store = opened()
    check(store, told)
    check_started_again(store)
    store.close()
