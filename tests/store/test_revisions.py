"""How a store gets to the revision of this program, and which stores it leaves alone."""

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import count
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import first_schema
import psycopg
import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory
from engines import ENGINES, postgres_address
from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import Connection
from store_samples import version

from service.fhir.search.terms import Condition, DateRow, DateValue, ReferenceRow, TokenValue
from service.store import revisions
from service.store.contract import Entry, Store, StoreFormatError
from service.store.index import line_set

Rows = dict[str, list[tuple[Any, ...]]]


class Place:
    """Where one store of an engine is, seen without the program that is tested."""

    def __init__(self, engine: str, folder: Path) -> None:
        self.engine = engine
        self._folder = folder

    def open(self) -> Store:
        return ENGINES[self.engine](self._folder)

    def make_old(self) -> None:
        if self.engine == "sqlite":
            first_schema.make_sqlite(self._file)
        else:
            first_schema.make_postgres(postgres_address(self._folder))

    def ask(self, statement: str, given: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        if self.engine == "sqlite":
            with closing(sqlite3.connect(self._file)) as file, file:
                return file.execute(statement, given).fetchall()
        with psycopg.connect(postgres_address(self._folder)) as database:
            cursor = database.execute(statement.encode(), given)
            return cursor.fetchall() if cursor.description else []

    def insert(self, table: str, row: tuple[Any, ...]) -> None:
        mark = "?" if self.engine == "sqlite" else "%s"
        self.ask(f"INSERT INTO {table} VALUES ({', '.join([mark] * len(row))})", row)  # noqa: S608

    @property
    def schema(self) -> list[tuple[Any, ...]]:
        """Everything that the engine itself says about the tables."""
        if self.engine == "sqlite":
            found = self.ask("SELECT name, coalesce(sql, '') FROM sqlite_master ORDER BY name")
            return [(name, " ".join(sql.replace("(", " ( ").split())) for name, sql in found]
        return [row for asked in _POSTGRES_SCHEMA for row in self.ask(asked)]

    @property
    def format(self) -> list[tuple[Any, ...]]:
        return self.ask(
            "PRAGMA user_version" if self.engine == "sqlite" else "SELECT number FROM format"
        )

    @property
    def rows(self) -> Rows:
        """Of the tables and columns that there always were."""
        return {
            table: sorted(self.ask(f"SELECT {_COLUMNS.get(table, '*')} FROM {table}"))  # noqa: S608
            for table in first_schema.ROWS
        }

    def connection(self) -> Engine:
        if self.engine == "sqlite":
            return create_engine(f"sqlite:///{self._file}")
        address = postgres_address(self._folder)
        return create_engine(address.replace("postgresql://", "postgresql+psycopg://"))

    @property
    def _file(self) -> Path:
        return self._folder / "store.db"


_COLUMNS = {"date": "resource, parameter, low, high, type"}

_POSTGRES_SCHEMA = (
    "SELECT relname, attnum, attname, format_type(atttypid, atttypmod), attcollation::regcollation"
    "::text, attnotnull FROM pg_attribute JOIN pg_class ON attrelid = pg_class.oid "
    "WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND attnum > 0 ORDER BY 1, 2",
    "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
    "WHERE connamespace = 'public'::regnamespace ORDER BY 1",
    "SELECT relname, pg_get_indexdef(oid) FROM pg_class "
    "WHERE relnamespace = 'public'::regnamespace AND relkind = 'i' ORDER BY 1",
)


@pytest.fixture(params=ENGINES)
def engine(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def place(engine: str, tmp_path: Path) -> Place:
    return Place(engine, tmp_path)


@pytest.fixture
def other_place(engine: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    return Place(engine, tmp_path_factory.mktemp("other"))


# -- up ------------------------------------------------------------------------------------------


def test_a_store_from_before_revisions_keeps_every_row_and_is_used_on(place: Place) -> None:
    place.make_old()
    before = place.rows
    store = place.open()
    assert place.rows == before == {name: sorted(rows) for name, rows in first_schema.ROWS.items()}
    assert place.format == [(revisions.NUMBERED,)]
    assert place.ask("SELECT version_num FROM alembic_version") == [(revisions.known()[-1],)]
    with store.read() as reader:
        assert list(reader.flaws()) == []
        asked = Condition("identifier", "token", (TokenValue("urn:s", "1"),))
        assert [one.body for one in reader.search("Observation", [asked]).versions] == [
            b'{"v":1.500}'
        ]
        assert len(reader.history(None, count=100).versions) == 5
        released = reader.release("first")
        assert released is not None
        assert released.body == b"\x00\xff"
    with store.begin() as work:
        work.write([Entry(version("o", 3, instant=version("o", 3).instant))])
        work.keep_fact("colour", "blue")
    store.close()
    store = place.open()
    assert store.current([("Observation", "o")])["Observation", "o"].version == 3
    store.close()


def test_every_way_leads_to_the_declared_tables(place: Place, other_place: Place) -> None:
    """Made by this program, and made by the migrations from the first one on: the same tables."""
    place.open().close()
    database = other_place.connection()
    with database.connect() as connection, connection.begin():
        revisions.migrate(connection)
    database.dispose()
    other_place.ask(
        "PRAGMA user_version = 2"
        if other_place.engine == "sqlite"
        else "CREATE TABLE format (number SERIAL NOT NULL, PRIMARY KEY (number))"
    )
    assert other_place.schema == place.schema


def test_a_store_from_before_revisions_becomes_as_a_new_one(
    place: Place, other_place: Place
) -> None:
    place.open().close()
    other_place.make_old()
    assert other_place.schema != place.schema
    other_place.open().close()
    if place.engine == "sqlite":  # which keeps the text of a statement as it was given
        assert [name for name, _ in other_place.schema] == [name for name, _ in place.schema]
        tables = (f"SELECT * FROM pragma_table_xinfo('{name}')" for name, _ in place.schema)  # noqa: S608
        for asked in tables:
            assert other_place.ask(asked) == place.ask(asked)
    else:
        assert other_place.schema == place.schema


def test_revisions_follow_one_another_as_their_files_are_named() -> None:
    config = Config()
    config.set_main_option("script_location", str(revisions.MIGRATIONS))
    script = ScriptDirectory.from_config(config)
    told = [one.revision for one in script.walk_revisions()]
    assert tuple(reversed(told)) == revisions.known()
    assert script.get_heads() == [revisions.known()[-1]]


def test_what_is_up_to_date_is_opened_by_one_question_without_alembic(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from sqlalchemy import Engine, event\n"
        "from service.store.sqlite import SqliteStore\n"
        "path = Path(sys.argv[1])\n"
        "SqliteStore(path).close()\n"
        "asked = []\n"
        "event.listen(Engine, 'before_cursor_execute', lambda *told: asked.append(told[2]))\n"
        "SqliteStore(path).close()\n"
        "print([one for one in asked if 'PRAGMA' not in one], 'alembic' in sys.modules)\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, tmp_path / "store.db"],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(revisions.__file__).parents[2],
    ).stdout
    assert told.count("SELECT") == 1
    assert told.strip().endswith("False")


def test_dates_that_were_stored_before_know_their_patients(place: Place, engine: str) -> None:
    """As they would if they were stored now, so that they are found by patient and date."""
    referring = {
        4: [],
        5: [ReferenceRow("patient", "Patient", "p"), ReferenceRow("subject", "Patient", "p")],
        6: [ReferenceRow("patient", "Patient", "p"), ReferenceRow("patient", "Patient", "q")],
        7: [ReferenceRow("subject", "Patient", "q"), ReferenceRow("patient", "Patient", "p")],
        8: [ReferenceRow("subject", "Group", "p"), ReferenceRow("performer", "Patient", "p")],
        9: [ReferenceRow("subject", "Patient", "p")],
    }
    dates = [DateRow("date", 10, 20), DateRow("date", 30, 40), DateRow("issued", 10, 20)]
    place.make_old()
    for number, references in referring.items():
        key, version = (number, "Observation", f"o{number}"), number + 2
        place.insert("version", (version, *key[1:], 1, 0, False, b"{}"))
        place.insert("resource", (*key, version, 0, False))
        place.insert("outbox", (version, *key[1:], 1))
        for table, rows in (("date", dates), ("reference", references)):
            for row in rows:
                place.insert(table, (number, *row, "Observation"))
    store = place.open()
    with store.read() as reader:
        lines = reader.index_of(referring)
        asked = Condition("date", "date", (DateValue("eq", 30, 40),))
        found = {
            (name, id_): [
                one.id
                for one in reader.search(
                    "Observation", [Condition.refers_to(name, "Patient", id_), asked]
                ).versions
            ]
            for name in ("patient", "subject")
            for id_ in ("p", "q")
        }
        assert list(reader.flaws()) == []
    store.close()
    assert lines == {key: line_set([*rows, *dates]) for key, rows in referring.items()}
    assert found == {
        ("patient", "p"): ["o5", "o6", "o7"],
        ("patient", "q"): ["o6"],
        ("subject", "p"): ["o5", "o9"],
        ("subject", "q"): ["o7"],
    }


# -- not down ------------------------------------------------------------------------------------


def test_a_store_of_a_newer_program_is_refused_and_not_touched(place: Place) -> None:
    place.open().close()
    place.ask("UPDATE alembic_version SET version_num = '9999'")
    schema, rows = place.schema, place.rows
    with pytest.raises(StoreFormatError) as refused:
        place.open()
    told = str(refused.value)
    assert "9999" in told
    assert revisions.known()[-1] in told
    assert "newer program" in told
    assert "\n" not in told
    assert (place.schema, place.rows) == (schema, rows)
    assert place.ask("SELECT version_num FROM alembic_version") == [("9999",)]


def test_a_store_of_an_unknown_format_is_refused_and_not_touched(place: Place) -> None:
    place.make_old()
    place.ask(
        "PRAGMA user_version = 7" if place.engine == "sqlite" else "UPDATE format SET number = 7"
    )
    schema, rows = place.schema, place.rows
    with pytest.raises(StoreFormatError, match="format 7"):
        place.open()
    assert (place.schema, place.rows, place.format) == (schema, rows, [(7,)])


def test_a_program_from_before_revisions_refuses_a_store_that_has_them(place: Place) -> None:
    """It compares this number with its own, 1."""
    place.open().close()
    assert place.format == [(2,)]


# -- under a lock, or not at all -----------------------------------------------------------------


def forked(work: Callable[[], object]) -> int:
    """The status with which a process that does ``work`` in a copy of this one ends."""
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1]
    try:
        work()
        os._exit(0)
    finally:
        os._exit(1)


def test_a_migration_killed_at_any_statement_leaves_the_old_store(place: Place) -> None:
    place.make_old()
    before = place.schema, place.rows, place.format

    for number in count(1):
        steps = count(1 - number)

        def killed(steps: Iterator[int] = steps) -> None:
            def step(*_: Any) -> None:
                if next(steps) == 0:
                    os.kill(os.getpid(), signal.SIGKILL)

            event.listen(Engine, "before_cursor_execute", step)
            event.listen(Engine, "commit", step)
            place.open()

        status = forked(killed)
        if status == 0:
            break
        assert os.WTERMSIG(status) == signal.SIGKILL
        assert (place.schema, place.rows, place.format) == before, f"statement {number}"
    assert number > 8, "there were statements at which to be killed"
    assert place.rows == before[1]
    assert place.format == [(revisions.NUMBERED,)]


def test_of_several_that_start_at_once_one_migrates(place: Place) -> None:
    place.make_old()
    context = get_context("fork")
    told, start = context.Queue(), context.Barrier(4)

    def opened() -> None:
        migrated = []

        def step(_: Connection, __: Any, statement: str, *___: Any) -> None:
            migrated.append("CREATE TABLE fact" in statement)

        event.listen(Engine, "before_cursor_execute", step)
        start.wait()
        store = place.open()
        with store.read() as reader:
            told.put((sum(migrated), reader.total("Observation"), reader.fact("nothing")))
        store.close()

    processes = [context.Process(target=opened) for _ in range(4)]
    for process in processes:
        process.start()
    answers = [told.get(timeout=60) for _ in processes]
    for process in processes:
        process.join()
    assert sorted(answers) == [(0, 1, None)] * 3 + [(1, 1, None)]
