"""Current versions by type and id, or by what they refer to, asked in text that is made once.

The expression language would put its SQL together anew for every question, which costs several
times what the database does. PostgreSQL takes a list as one value; for an engine that cannot, a
list is filled up to one of a few lengths, so that there are few texts. A driver that prepares
statements does so once for each.
"""

from collections.abc import Collection, Iterator, Sequence
from functools import cache, lru_cache
from typing import Any

from sqlalchemy import ARRAY, BindParameter, Dialect, Select, Text, any_, bindparam, select
from sqlalchemy.dialects.postgresql import asyncpg
from sqlalchemy.engine import Connection

from service.store import index, tables
from service.store.contract import Key

_LENGTHS = (1, 4, 16, 64, 256)

_resource, _version, _reference = tables.resource.c, tables.version.c, tables.reference.c
COLUMNS = tuple(_version[name] for name in ("type", "id", "version", "instant", "deleted", "body"))
"""What a ``Version`` is made of, in its order."""
_versions = select(*COLUMNS).join_from(
    tables.resource, tables.version, _version.number == _resource.current
)
_of_type = _resource.type == bindparam("type")
CURRENT = _versions.add_columns(_version.number).where(_of_type)
"""Type, id, version, instant, deleted, body and number of current versions of one type."""
NUMBERS = select(_resource.id, _resource.current).where(_of_type)
"""Id and number of current versions of one type."""
_referrers = _versions.where(
    _resource.key.in_(
        select(_reference.resource).where(
            _reference.type == bindparam("type"),
            _reference.parameter == bindparam("parameter"),
            _reference.target == bindparam("target"),
            _reference.target_type == bindparam("target_type"),
        )
    )
).order_by(_resource.key)


def ids_by_type(keys: Collection[Key]) -> dict[str, list[str]]:
    """What is asked for, by type; as the store keeps it."""
    ids: dict[str, list[str]] = {}
    for type_, id_ in keys:
        ids.setdefault(type_, []).append(index.cut(id_))
    return {index.cut(type_): some for type_, some in ids.items()}


def current_rows(connection: Connection, type_: str, ids: Sequence[str]) -> list[tuple[Any, ...]]:
    """As ``CURRENT``, for each of these resources that is there."""
    found = []
    for asked, values in questions(CURRENT, connection.dialect, type_, ids):
        found += _answer(connection, asked, values)
    return found


def questions(
    what: Select[Any], dialect: Dialect, type_: str, ids: Sequence[str]
) -> Iterator[tuple[str, Any]]:
    """Text and values of the questions that ask ``what`` of these resources, for the driver."""
    if dialect.name == "postgresql":
        yield _by_array(what, dialect).string, {"type": type_, "ids": list(ids)}
        return
    for first in range(0, len(ids), _LENGTHS[-1]):
        some = ids[first : first + _LENGTHS[-1]]
        length = next(length for length in _LENGTHS if length >= len(some))
        filled = (type_, *some, *[some[-1]] * (length - len(some)))
        yield _by_list(what, dialect, length).string, filled


def referring_rows(
    connection: Connection, type_: str, parameter: str, target: Key
) -> list[tuple[Any, ...]]:
    """The same of the resources of a type that refer to ``target`` by a parameter, in order."""
    asked = _to_one(connection.dialect)
    values = {
        "type": type_,
        "parameter": parameter,
        "target_type": target[0],
        "target": target[1],
    }
    in_order = asked.positiontup
    given = tuple(values[name] for name in in_order) if in_order else values
    return _answer(connection, asked.string, given)


def _answer(connection: Connection, asked: str, values: Any) -> list[tuple[Any, ...]]:
    """The driver's own rows: nothing of them needs converting."""
    with connection.exec_driver_sql(asked, values) as result:
        return list(result.cursor.fetchall())


def by_number(what: Select[Any]) -> bytes:
    """``what`` as PostgreSQL is asked it for a type (``$1``) and a list of ids (``$2``)."""
    return str(_by_array(what, asyncpg.dialect())).encode()  # type: ignore[no-untyped-call]


@cache
def _by_array(what: Select[Any], dialect: Dialect) -> Any:
    ids = bindparam("ids", type_=ARRAY(Text))
    return what.where(_resource.id == any_(ids)).compile(dialect=dialect)


@cache
def _to_one(dialect: Dialect) -> Any:
    return _referrers.compile(dialect=dialect)


@lru_cache(maxsize=64)
def _by_list(what: Select[Any], dialect: Dialect, length: int) -> Any:
    ids: list[BindParameter[str]] = [bindparam(f"id_{number}") for number in range(length)]
    return what.where(_resource.id.in_(ids)).compile(dialect=dialect)
