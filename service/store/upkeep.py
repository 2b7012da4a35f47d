"""Going through a whole store: what it holds, what it is found by, and whether all of it agrees."""

from collections.abc import Collection, Iterator
from typing import Any

from sqlalchemy import Select, and_, func, literal, or_, select, union_all
from sqlalchemy.engine import Connection

from service.store import tables
from service.store.contract import Flaw, IndexLine, Key

_resource, _version, _outbox = tables.resource.c, tables.version.c, tables.outbox.c


def index_lines(connection: Connection, numbers: Collection[int]) -> dict[int, set[IndexLine]]:
    """What these resources are found by, by their numbers in the store."""
    found: dict[int, set[IndexLine]] = {number: set() for number in numbers}
    for table in tables.INDEX:
        values = [table.c[name] for name in table.info["values"]]
        asked = select(table.c.resource, table.c.parameter, *values)
        for row in connection.execute(asked.where(table.c.resource.in_(numbers))):
            number, *line = row
            found[number].add((table.name, *line))
    return found


def flaws(connection: Connection) -> Iterator[Flaw]:
    """What contradicts itself, whatever resources say: versions, pointers, outbox, index."""
    for told, asked in _QUESTIONS.items():
        for row in connection.execute(asked, execution_options={"yield_per": 500}):
            yield Flaw(_key(row), told)


def _key(row: Any) -> Key:
    return (row.type or "", row.id or "")


def _gaps() -> Select[Any]:
    numbered = _version.type, _version.id
    count, last, first = (
        func.count(),
        func.max(_version.version),
        func.min(_version.version),
    )
    return select(*numbered).group_by(*numbered).having(or_(count != last, first != 1))


def _misled() -> Select[Any]:
    """Resources whose current version is none of theirs, not their last, or says otherwise."""
    last = (
        select(func.max(_version.number))
        .where(_version.type == _resource.type, _version.id == _resource.id)
        .scalar_subquery()
    )
    current = tables.version.alias()
    joined = tables.resource.outerjoin(current, current.c.number == _resource.current)
    wrong = (
        current.c.number.is_(None),
        current.c.type != _resource.type,
        current.c.id != _resource.id,
        current.c.instant != _resource.instant,
        current.c.deleted != _resource.deleted,
        _resource.current != last,
    )
    return select(_resource.type, _resource.id).select_from(joined).where(or_(*wrong))


def _without_resource() -> Select[Any]:
    same = and_(_resource.type == _version.type, _resource.id == _version.id)
    joined = tables.version.outerjoin(tables.resource, same)
    asked = select(_version.type, _version.id).select_from(joined)
    return asked.where(_resource.key.is_(None)).distinct()


def _untold() -> Select[Any]:
    """Versions that the outbox does not have, or has as another one."""
    joined = tables.version.outerjoin(tables.outbox, _outbox.number == _version.number)
    wrong = (
        _outbox.number.is_(None),
        _outbox.type != _version.type,
        _outbox.id != _version.id,
        _outbox.version != _version.version,
    )
    return select(_version.type, _version.id).select_from(joined).where(or_(*wrong)).distinct()


def _astray() -> Select[Any]:
    """Index lines of what is not there."""
    lines = union_all(*(select(table.c.resource, table.c.type) for table in tables.INDEX))
    every = lines.subquery()
    joined = every.outerjoin(tables.resource, _resource.key == every.c.resource)
    asked = select(every.c.type, literal("").label("id")).select_from(joined)
    return asked.where(_resource.key.is_(None)).distinct()


_QUESTIONS = {
    "its versions do not count 1, 2, 3 without a gap": _gaps(),
    "its current version is not its last one": _misled(),
    "there are versions of it, but it is not there": _without_resource(),
    "the outbox does not tell of every version": _untold(),
    "the index has lines of a resource that is not there": _astray(),
}
