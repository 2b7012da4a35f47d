"""Which revision a store has, and how it gets to that of this program.

A new store is made as ``tables`` say. An older one goes through the migrations that it lacks, in
the one transaction of whoever opens it: all of them or none. A store that a newer program has
touched is left alone. alembic is loaded only where there is something to migrate.
"""

from functools import cache
from pathlib import Path

from sqlalchemy import inspect, select
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DBAPIError

from service.store import tables
from service.store.contract import StoreFormatError

MIGRATIONS = Path(__file__).parent / "migrations"

UNNUMBERED = 1
"""The format of stores from before there were revisions; all of them are at the first one."""
NUMBERED = 2
"""The format of stores that have revisions, which a program from before refuses."""
PATIENCE = 600.0
"""Seconds for which one process waits while another one migrates."""

_version_num = tables.revision.c.version_num


@cache
def known() -> tuple[str, ...]:
    """The revisions of this program, oldest first: migrations carry theirs in their names."""
    return tuple(sorted(path.name[1:5] for path in (MIGRATIONS / "versions").glob("r[0-9]*_*.py")))


def is_up_to_date(connection: Connection) -> bool:
    """One question. What cannot be answered is looked at more closely by ``bring_up_to_date``."""
    try:
        return _revision(connection) == known()[-1]
    except DBAPIError:
        return False


def bring_up_to_date(connection: Connection, format_: int | None) -> None:
    """Make or migrate the tables of a store that nobody else can write to meanwhile.

    ``format_`` is what the store says of itself in the engine's own way. Raises StoreFormatError
    for a store that this program must not touch.
    """
    newest = known()[-1]
    if inspect(connection).has_table(tables.revision.name):
        found = _revision(connection)
    elif format_ is None:
        tables.metadata.create_all(connection)
        _stamp(connection, found := newest)
    elif format_ == UNNUMBERED:
        tables.revision.create(connection)
        _stamp(connection, found := known()[0])
    else:
        raise _too_new(f"format {format_}")
    if found not in known():
        raise _too_new(f"revision {found}")
    if found != newest:
        migrate(connection)


def _revision(connection: Connection) -> str | None:
    return connection.execute(select(_version_num)).scalar_one_or_none()


def _stamp(connection: Connection, revision: str) -> None:
    connection.execute(tables.revision.insert().values(version_num=revision))


def _too_new(found: str) -> StoreFormatError:
    return StoreFormatError(
        f"the store has {found}, this program knows revisions up to {known()[-1]}: a newer program "
        "has used it. Open it with that one, or go back to a copy from before; nothing was changed"
    )


def migrate(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
