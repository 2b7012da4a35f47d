"""Current versions by type and id, asked in text that is made once.

The expression language would put its SQL together anew for every list of ids, which costs several
times what the database does. Here a list is filled up to one of a few lengths, so that there are
few texts, and a driver that prepares statements does so once for each.
"""

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import BindParameter, Dialect, bindparam, select
from sqlalchemy.engine import Connection

from service.store import tables

_LENGTHS = (1, 4, 16, 64, 256)
_TYPE = "type"

_resource, _version = tables.resource.c, tables.version.c
_current = select(
    _version.type,
    _version.id,
    _version.version,
    _version.instant,
    _version.deleted,
    _version.body,
).join_from(tables.resource, tables.version, _version.number == _resource.current)


def current_rows(
    connection: Connection, type_: str, ids: Sequence[str]
) -> Iterator[tuple[Any, ...]]:
    """Type, id, version, instant, deleted and body of each of these resources that is there."""
    for first in range(0, len(ids), _LENGTHS[-1]):
        some = ids[first : first + _LENGTHS[-1]]
        length = next(length for length in _LENGTHS if length >= len(some))
        filled = [*some, *[some[-1]] * (length - len(some))]
        compiled = _compiled(connection.dialect, length)
        values: Any = (type_, *filled)
        if not compiled.positional:
            values = dict(zip((_TYPE, *_names(length)), values, strict=True))
        yield from connection.exec_driver_sql(compiled.string, values)


@lru_cache(maxsize=64)
def _compiled(dialect: Dialect, length: int) -> Any:
    ids: list[BindParameter[str]] = [bindparam(name) for name in _names(length)]
    asked = _current.where(_resource.type == bindparam(_TYPE), _resource.id.in_(ids))
    return asked.compile(dialect=dialect)


@lru_cache(maxsize=len(_LENGTHS))
def _names(length: int) -> tuple[str, ...]:
    return tuple(f"id_{number}" for number in range(length))
