"""A store that cannot be reached says so, writes nothing half, and is there again by itself."""

import asyncio
import re
import resource
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import psycopg
import pytest
from engines import end, new_server, postgres_address, start_again, stop
from store_samples import version

from service.fhir.search.terms import TokenRow
from service.store import postgres
from service.store.contract import (
    Entry,
    Store,
    StoreAwayError,
    StoreFormatError,
    UnitOfWork,
)
from service.store.postgres import PostgresStore
from service.store.sqlite import SqliteStore

ROW = (TokenRow("identifier", "urn:s", "1"),)
MANY = [Entry(version(f"many-{number}"), ROW) for number in range(150)]
KEY = ("Observation", "kept")


def write(store: Store, *entries: Entry) -> None:
    with store.begin() as unit:
        unit.write(entries)


def left(store: Store) -> list[str]:
    """Ids of what is there, in a store that does not contradict itself."""
    with store.read() as reader:
        assert list(reader.flaws()) == []
        return [one.id for one in reader.search("Observation").versions]


# -- PostgreSQL ----------------------------------------------------------------------------------


@pytest.fixture
def address(tmp_path: Path) -> str:
    return postgres_address(tmp_path)


@pytest.fixture
def database(address: str) -> Iterator[PostgresStore]:
    store = PostgresStore(address, busy_seconds=0.2)
    write(store, Entry(version("kept"), ROW))
    yield store
    store.close()


def end_sessions(address: str) -> None:
    with psycopg.connect(address, autocommit=True) as other:
        other.execute(
            "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity"
            " WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )


def write_few(unit: UnitOfWork) -> None:
    unit.write([Entry(version("lost"), ROW)])


def write_many(unit: UnitOfWork) -> None:
    """So many that they go as a stream, past the expression language."""
    unit.write(MANY)


def ask(unit: UnitOfWork) -> None:
    unit.total("Observation")


def do_nothing(_: UnitOfWork) -> None:
    """The unit ends, and is to be committed."""


@pytest.mark.parametrize("then", [write_few, write_many, ask, do_nothing])
def test_a_session_that_ends_within_a_unit_leaves_nothing_of_it(
    database: PostgresStore, address: str, then: Callable[[UnitOfWork], None]
) -> None:
    with pytest.raises(StoreAwayError) as away, database.begin() as unit:  # noqa: PT012
        unit.write([Entry(version("first"), ROW)])
        end_sessions(address)
        then(unit)
    assert away.value.settled == (then is not do_nothing)
    assert left(database) == ["kept"]
    write(database, Entry(version("next"), ROW))
    assert left(database) == ["kept", "next"]


def test_a_session_that_ends_within_a_look_costs_that_look_alone(
    database: PostgresStore, address: str
) -> None:
    with pytest.raises(StoreAwayError), database.read() as reader:  # noqa: PT012
        end_sessions(address)
        reader.total("Observation")
    assert left(database) == ["kept"]


@pytest.mark.parametrize(
    "question",
    [
        lambda store: store.current([KEY]),
        lambda store: asyncio.run(store.current_soon([KEY])),
        left,
        lambda store: write(store, Entry(version("kept", 2), ROW)),
    ],
)
def test_connections_that_died_in_the_pool_are_not_noticed(
    database: PostgresStore, address: str, question: Callable[[Store], object]
) -> None:
    asyncio.run(database.current_soon([KEY]))
    with ExitStack() as open_:
        for _ in range(6):
            open_.enter_context(database.read())
    end_sessions(address)
    question(database)
    assert left(database) == ["kept"]


def test_when_all_connections_are_in_use_a_reader_is_told(database: PostgresStore) -> None:
    with ExitStack() as open_:
        for _ in range(postgres._POOLED + postgres._MORE):
            open_.enter_context(database.read())
        with pytest.raises(StoreAwayError, match="in use"):
            database.current([KEY])
    assert KEY in database.current([KEY])


def test_writers_that_wait_leave_connections_to_readers(address: str) -> None:
    store, other = PostgresStore(address), PostgresStore(address)
    crowd = postgres._POOLED + postgres._MORE + 8
    with ThreadPoolExecutor(crowd) as pool:
        with other.begin():
            waiting = [
                pool.submit(write, store, Entry(version(f"w{number}"))) for number in range(crowd)
            ]
            assert store.current([KEY]) == {}
            assert left(store) == []
        for one in waiting:
            one.result()
    assert len(left(store)) == crowd
    store.close()
    other.close()


def test_a_server_that_is_stopped_and_started() -> None:
    server = new_server()
    store = PostgresStore(server.get_uri(), busy_seconds=1)
    write(store, Entry(version("kept"), ROW))
    stop(server)
    for _ in range(3):
        with pytest.raises(StoreAwayError):
            store.current([KEY])
        with pytest.raises(StoreAwayError):
            asyncio.run(store.current_soon([KEY]))
        with pytest.raises(StoreAwayError):
            left(store)
        with pytest.raises(StoreAwayError) as away:
            write(store, Entry(version("lost"), ROW))
        assert away.value.settled
    with pytest.raises(StoreFormatError, match="cannot be used"):
        PostgresStore(server.get_uri())
    start_again(server)
    assert KEY in asyncio.run(store.current_soon([KEY]))
    assert KEY in store.current([KEY])
    write(store, Entry(version("next"), ROW))
    assert left(store) == ["kept", "next"]
    store.close()
    end(server)


def test_a_look_costs_no_more_than_its_own_questions(
    database: PostgresStore, tmp_path: Path
) -> None:
    """What goes over the wire, as libpq tells it: a message that waits for an answer is a trip."""
    path = tmp_path / "wire"

    def trips(asked: Callable[[], object]) -> int:
        before = path.stat().st_size
        asked()
        return len(re.findall(rb"\tF\t\d+\t(?:Query|Sync)\b", path.read_bytes()[before:]))

    def one_version() -> None:
        with database.read() as reader:
            reader.version(KEY, 1)

    with path.open("wb") as into, database._engine.connect() as connection:
        driver = connection.connection.driver_connection
        assert isinstance(driver, psycopg.Connection)
        driver.pgconn.trace(into.fileno())
        connection.close()
        assert trips(lambda: database.current([KEY])) == 1
        assert trips(one_version) == 3  # BEGIN, the question, ROLLBACK
        driver.pgconn.untrace()


# -- SQLite --------------------------------------------------------------------------------------


@pytest.fixture
def file(tmp_path: Path) -> Iterator[SqliteStore]:
    store = SqliteStore(tmp_path / "store.db", busy_seconds=0.2)
    write(store, Entry(version("kept"), ROW))
    yield store
    store.close()


def test_a_full_disk_refuses_what_does_not_fit_and_keeps_the_rest(file: SqliteStore) -> None:
    """https://sqlite.org/pragma.html#pragma_max_page_count: as a disk that is full."""
    with file._writer.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
    big = Entry(version("big", body=b"x" * 1_000_000), ROW)
    with pytest.raises(StoreAwayError, match="full"):
        write(file, big)
    assert left(file) == ["kept"]
    with file._writer.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 1000000")
    write(file, big)
    assert left(file) == ["kept", "big"]


def test_a_file_that_may_not_grow_keeps_what_was_kept(file: SqliteStore) -> None:
    """The operating system refuses to write beyond a size, in the middle of a commit."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, hard))
    try:
        with pytest.raises(StoreAwayError):
            write(file, Entry(version("big", body=b"x" * 1_000_000), ROW))
        assert left(file) == ["kept"]
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    write(file, Entry(version("next"), ROW))
    assert left(file) == ["kept", "next"]


def test_a_file_that_may_only_be_read_is_read(file: SqliteStore) -> None:
    with file._writer.connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")
    with pytest.raises(StoreAwayError, match="readonly"):
        write(file, Entry(version("lost"), ROW))
    assert left(file) == ["kept"]
