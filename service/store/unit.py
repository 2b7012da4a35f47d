"""Reading and writing through one connection, in SQL that every engine understands.

An engine whose writers run side by side extends ``hold`` and ``lock``; here one unit at a time is
taken for granted.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from functools import cache
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import (
    ColumnElement,
    Select,
    Table,
    bindparam,
    delete,
    exists,
    func,
    select,
    update,
)
from sqlalchemy.engine import Connection

from service.fhir.search.terms import Criterion, SortKey
from service.fhir.spans import Span
from service.store import index, labels, lookup, search, tables, upkeep
from service.store.contract import (
    Entry,
    Event,
    Flaw,
    Identity,
    IndexLine,
    Key,
    Label,
    Page,
    Release,
    Version,
)
from service.store.cursor import decode
from service.store.paging import Order
from service.store.rows import (
    AnyRow,
    as_looked_up,
    as_version,
    from_microseconds,
    key_of,
    move,
    outbox_row,
    page,
    resource_row,
    to_microseconds,
    version_row,
)

T = TypeVar("T")
TableLines = tuple[Table, list[tuple[Any, ...]]]
_VERSIONS = range(1, 2**31)
_AT_ONCE = 500
"""Values in one statement; engines limit them."""

_resource, _version = tables.resource.c, tables.version.c
_versions = select(*lookup.COLUMNS, _version.number)
_of_current = tables.resource.join(tables.version, _version.number == _resource.current)


class SqlReader:
    """A consistent view over one connection inside a transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def current(self, keys: Collection[Key]) -> dict[Key, Version]:
        found: dict[Key, Version] = {}
        for type_, ids in lookup.ids_by_type(keys).items():
            for *row, _ in lookup.current_rows(self._connection, type_, ids):
                found[row[0], row[1]] = as_looked_up(row)
        return found

    def version(self, key: Key, version: int) -> Version | None:
        if version not in _VERSIONS:
            return None
        asked = _versions.where(
            _version.type == index.cut(key[0]),
            _version.id == index.cut(key[1]),
            _version.version == version,
        )
        row = self._connection.execute(asked).one_or_none()
        return None if row is None else as_version(row)

    def versions(self, keys: Collection[Key]) -> list[Version]:
        found = self._by_pairs(_versions, _version.type, _version.id, keys)
        return [as_version(row) for row in sorted(found, key=lambda row: row.number)]

    def history(
        self,
        type_: str | None,
        id_: str | None = None,
        *,
        since: datetime | None = None,
        at: Span | None = None,
        count: int,
        cursor: str | None = None,
    ) -> Page:
        # Within one resource both orders are the same; this one has an index.
        place = _version.number if id_ is None else _version.version
        asked = _versions.add_columns(place.label("sort_0"))
        asked = asked.where(*_past(type_, id_, since, at))
        asked = asked.order_by(place.desc()).limit(count + 1)
        if cursor is not None:
            asked = asked.where(place < decode(cursor, 1)[0])
        return page(self._connection.execute(asked).all(), count)

    def history_total(
        self,
        type_: str | None,
        id_: str | None = None,
        *,
        since: datetime | None = None,
        at: Span | None = None,
    ) -> int:
        asked = select(func.count()).select_from(tables.version)
        return self._connection.execute(asked.where(*_past(type_, id_, since, at))).scalar_one()

    def search(
        self,
        type_: str,
        criteria: Sequence[Criterion] = (),
        *,
        sort: Sequence[SortKey] = (),
        count: int | None = None,
        cursor: str | None = None,
    ) -> Page:
        target = search.only_target(criteria)
        if target is not None and not sort and count is None and cursor is None:
            referring = lookup.referring_rows(self._connection, type_, *target)
            return Page(tuple(map(as_looked_up, referring)), None)
        order = Order(sort)
        asked = (
            _versions.add_columns(*order.values)
            .select_from(_of_current)
            .where(*search.matching(type_, criteria))
            .order_by(*order.clauses)
        )
        if cursor is not None:
            asked = asked.where(order.after(decode(cursor, len(sort) + 1)))
        if count is not None:
            asked = asked.limit(count + 1)
        return page(self._connection.execute(asked).all(), count)

    def total(self, type_: str, criteria: Sequence[Criterion] = ()) -> int:
        asked = select(func.count()).select_from(tables.resource)
        asked = asked.where(*search.matching(type_, criteria))
        return self._connection.execute(asked).scalar_one()

    def holders(self, type_: str, identities: Collection[Identity]) -> dict[Identity, list[str]]:
        token = tables.token.c
        asked = (
            select(token.system, token.code, _resource.id)
            .select_from(tables.token.join(tables.resource, _resource.key == token.resource))
            .where(token.type == type_, token.parameter == "identifier")
            .order_by(_resource.key)
        )
        known = {
            (index.cut(system), index.cut(code)): (system, code) for system, code in identities
        }
        found: dict[Identity, list[str]] = {}
        for row in self._by_pairs(asked, token.system, token.code, known):
            found.setdefault(known[row.system, row.code], []).append(row.id)
        return found

    def references(
        self, keys: Collection[Key], parameter: str, target_type: str | None = None
    ) -> dict[Key, list[Key]]:
        rows = tables.reference.c
        asked = (
            select(_resource.type, _resource.id, rows.target_type, rows.target)
            .select_from(tables.reference.join(tables.resource, _resource.key == rows.resource))
            .where(rows.parameter == parameter)
            .where(rows.target_type == target_type if target_type else rows.target_type != "")
            .order_by(_resource.key, rows.target_type, rows.target)
        )
        found: dict[Key, list[Key]] = {}
        for row in self._by_pairs(asked, _resource.type, _resource.id, keys):
            found.setdefault((row.type, row.id), []).append((row.target_type, row.target))
        return found

    def referrers(self, keys: Collection[Key], type_: str, parameter: str, count: int) -> list[Key]:
        rows = tables.reference.c
        asked = (
            select(_resource.key, _resource.id)
            .select_from(tables.reference.join(tables.resource, _resource.key == rows.resource))
            .where(rows.type == type_, rows.parameter == parameter)
            .order_by(_resource.key)
            .limit(count)
        )
        found = {
            row.key: row.id for row in self._by_pairs(asked, rows.target_type, rows.target, keys)
        }
        return [(type_, found[key]) for key in sorted(found)[:count]]

    def labels(self, type_: str | None) -> list[Label]:
        rows = self._connection.execute(labels.in_use(type_))
        return [(row.parameter, row.system, row.code) for row in rows]

    def events(self, after: int, count: int) -> list[Event]:
        outbox = tables.outbox.c
        asked = select(tables.outbox).where(outbox.number > after)
        rows = self._connection.execute(asked.order_by(outbox.number).limit(count))
        return [Event(row.number, row.type, row.id, row.version) for row in rows]

    def release(self, name: str) -> Release | None:
        asked = select(tables.release).where(tables.release.c.name == name)
        row = self._connection.execute(asked).one_or_none()
        return None if row is None else Release(row.name, from_microseconds(row.made), row.body)

    def fact(self, name: str) -> str | None:
        asked = select(tables.fact.c.value).where(tables.fact.c.name == name)
        return self._connection.execute(asked).scalar_one_or_none()

    def walk(self, after: int, count: int) -> list[tuple[int, Version]]:
        asked = _versions.add_columns(_resource.key).select_from(_of_current)
        asked = asked.where(_resource.key > after).order_by(_resource.key).limit(count)
        return [(row.key, as_version(row)) for row in self._connection.execute(asked)]

    def index_of(self, numbers: Collection[int]) -> dict[int, set[IndexLine]]:
        return upkeep.index_lines(self._connection, numbers)

    def flaws(self) -> Iterator[Flaw]:
        return upkeep.flaws(self._connection)

    def _by_pairs(
        self,
        asked: Select[Any],
        first: ColumnElement[str],
        second: ColumnElement[str],
        pairs: Collection[tuple[str, str]],
    ) -> Iterator[AnyRow]:
        """Rows by pairs of values, asked in a form that every engine's indexes answer."""
        seconds: dict[str, list[str]] = {}
        for one, other in pairs:
            seconds.setdefault(index.cut(one), []).append(index.cut(other))
        for one, others in seconds.items():
            for some in _portions(others):
                found = asked.where(first == one, second.in_(some))
                yield from self._connection.execute(found)


class SqlUnitOfWork(SqlReader):
    """A view that writes, alone."""

    def hold(self, names: Collection[str]) -> None:
        """Nobody else writes while this unit lasts."""

    def lock(self, keys: Collection[Key]) -> dict[Key, Version]:
        return self.current(keys)

    def write(self, entries: Sequence[Entry]) -> None:
        last_number, last_key = self._last()
        numbered = list(enumerate(entries, last_number + 1))
        current = {key_of(entry): (number, entry) for number, entry in numbered}
        # A first version is that of a resource which is not there yet.
        keys = self._known([name for name, (_, one) in current.items() if one.version.version > 1])
        self._replace(keys, current)
        fresh = [name for name in current if name not in keys]
        keys |= {name: key for key, name in enumerate(fresh, last_key + 1)}
        self._insert(
            (tables.version, [version_row(entry.version, n) for n, entry in numbered]),
            (tables.outbox, [outbox_row(entry.version, n) for n, entry in numbered]),
            (tables.resource, [resource_row(keys[n], *current[n]) for n in fresh]),
            *index.rows((keys[name], entry) for name, (_, entry) in current.items()).items(),
        )

    def index_again(self, entries: Mapping[int, Entry]) -> None:
        self._forget(entries)
        self._insert(*index.rows(entries.items()).items())

    def keep_release(self, release: Release) -> Release:
        kept = self.release(release.name)
        if kept is not None:
            return kept
        line = (release.name, to_microseconds(release.made), release.body)
        self._insert((tables.release, [line]))
        return release

    def keep_fact(self, name: str, value: str) -> None:
        self._connection.execute(delete(tables.fact).where(tables.fact.c.name == name))
        self._insert((tables.fact, [(name, value)]))

    def _replace(self, keys: dict[Key, int], current: dict[Key, tuple[int, Entry]]) -> None:
        """Point known resources at their new versions and forget what they were found by."""
        if not keys:
            return
        moves = [move(key, *current[name]) for name, key in keys.items()]
        self._connection.execute(_MOVE, moves)
        self._forget(keys.values())

    def _forget(self, keys: Iterable[int]) -> None:
        """Let resources be found by nothing."""
        for some in _portions(keys):
            for table in tables.INDEX:
                self._connection.execute(delete(table).where(table.c.resource.in_(some)))

    def _known(self, names: Collection[Key]) -> dict[Key, int]:
        asked = select(_resource.type, _resource.id, _resource.key)
        found = self._by_pairs(asked, _resource.type, _resource.id, names)
        return {(row.type, row.id): row.key for row in found}

    def _last(self) -> tuple[int, int]:
        """The greatest number of a version and the greatest key of a resource."""
        number, key = self._connection.exec_driver_sql(_LAST).one()
        return number, key

    def _insert(self, *lines: TableLines) -> None:
        """Lines of each table in turn, as its columns are, in SQLite's SQL; other engines have
        their own way.

        The driver takes them as they are: the expression language would look at each line.
        """
        driver: Any = self._connection.connection.driver_connection
        for table, rows in lines:
            if rows:
                driver.executemany(_insertion(table), rows)


_LAST = (
    "SELECT (SELECT coalesce(max(number), 0) FROM version),"
    " (SELECT coalesce(max(key), 0) FROM resource)"
)


@cache
def _insertion(table: Table) -> str:
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    marks = ", ".join("?" for _ in table.columns)
    return f"INSERT INTO {table.name} ({names}) VALUES ({marks})"  # noqa: S608


_MOVE = update(tables.resource).where(_resource.key == bindparam("known"))


def _past(
    type_: str | None, id_: str | None, since: datetime | None, at: Span | None
) -> Iterator[ColumnElement[bool]]:
    """What the versions of a history have in common."""
    if type_ is not None:
        yield _version.type == index.cut(type_)
    if id_ is not None:
        yield _version.id == index.cut(id_)
    if since is not None:
        yield _version.instant >= to_microseconds(since)
    if at is not None:
        yield _version.instant < at[1]
        yield ~_replaced_by(at[0])


def _replaced_by(instant: int) -> ColumnElement[bool]:
    """Whether a version had a next one by this instant."""
    later = tables.version.alias().c
    return exists().where(
        later.type == _version.type,
        later.id == _version.id,
        later.version == _version.version + 1,
        later.instant <= instant,
    )


def _portions(values: Iterable[T]) -> Iterator[list[T]]:
    rest = iter(values)
    while some := list(islice(rest, _AT_ONCE)):
        yield some
